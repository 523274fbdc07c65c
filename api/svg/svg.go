// Package svg writes drawings as SVG that stand alone or within a page, and finds round
// numbers for their axes.
package svg

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// Drawing is a drawing that is being written. Coordinates are pixels from the upper left
// corner, written to a hundredth, so that the bytes do not depend on the last bits of a sum.
type Drawing struct {
	class string
	b     bytes.Buffer
}

// New begins a drawing of a size. Its rules of style apply to its class alone.
func New(class, title string, width, height float64) *Drawing {
	d := &Drawing{class: class}
	d.Put(`<svg xmlns="http://www.w3.org/2000/svg" class="%v" viewBox="0 0 %v %v" width="%v" height="%v" role="img">`+
		"\n<title>%v</title>\n",
		class, width, height, width, height, title)
	return d
}

// Style writes rules of style, a line each with one selector, for readers on light ground,
// and those that differ for readers on dark ground. Classes mid and end place a text's
// middle or end where it is put.
func (d *Drawing) Style(light, dark string) {
	write := func(rules string) {
		for rule := range strings.Lines(rules) {
			if rule = strings.TrimSpace(rule); rule != "" {
				fmt.Fprintf(&d.b, ".%s %s\n", d.class, rule)
			}
		}
	}
	d.b.WriteString("<style>\n")
	write(".mid{text-anchor:middle}\n.end{text-anchor:end}\n" + light)
	if dark != "" {
		d.b.WriteString("@media (prefers-color-scheme:dark){\n")
		write(dark)
		d.b.WriteString("}\n")
	}
	d.b.WriteString("</style>\n")
}

// Put writes elements. The verb is %v throughout: strings are escaped, and floats are
// rounded.
func (d *Drawing) Put(format string, args ...any) {
	for i, a := range args {
		switch v := a.(type) {
		case string:
			args[i] = escape(v)
		case float64:
			args[i] = number(v)
		}
	}
	fmt.Fprintf(&d.b, format, args...)
}

// Rect puts a rectangle.
func (d *Drawing) Rect(class string, x, y, width, height float64) {
	d.Put(`<rect class="%v" x="%v" y="%v" width="%v" height="%v"/>`+"\n", class, x, y, width, height)
}

// Line puts a straight line.
func (d *Drawing) Line(class string, x1, y1, x2, y2 float64) {
	d.Put(`<line class="%v" x1="%v" y1="%v" x2="%v" y2="%v"/>`+"\n", class, x1, y1, x2, y2)
}

// Text puts a text on a base line.
func (d *Drawing) Text(class string, x, y float64, text string) {
	d.Put(`<text class="%v" x="%v" y="%v">%v</text>`+"\n", class, x, y, text)
}

// Upright puts a text that runs from bottom to top.
func (d *Drawing) Upright(class string, x, y float64, text string) {
	d.Put(`<text class="%v" transform="translate(%v %v) rotate(-90)">%v</text>`+"\n", class, x, y, text)
}

// Bytes ends the drawing and returns it.
func (d *Drawing) Bytes() []byte {
	return append(bytes.Clone(d.b.Bytes()), "</svg>\n"...)
}

// WriteTo ends the drawing and writes it.
func (d *Drawing) WriteTo(w io.Writer) (int64, error) {
	n, err := w.Write(d.Bytes())
	return int64(n), err
}

func number(v float64) string {
	if v = math.Round(v*100) / 100; v == 0 {
		return "0" // and not -0
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

func escape(s string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(s)) // a strings.Builder does not fail
	return b.String()
}
