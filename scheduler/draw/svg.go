// Package draw draws plans and explorations as SVG, in colours for light and dark pages.
package draw

import (
	"bufio"
	"fmt"
	"html"
)

// svg writes the elements; a failed write shows at the final flush.
type svg struct {
	w *bufio.Writer
}

func (s svg) printf(format string, args ...any) { fmt.Fprintf(s.w, format, args...) }

func (s svg) rect(class string, x, y, w, h float64) {
	s.printf("<rect class=%q x=\"%.2f\" y=\"%.2f\" width=\"%.2f\" height=\"%.2f\"/>\n", class, x, y, w, h)
}

func (s svg) line(class string, x1, y1, x2, y2 float64) {
	s.printf("<line class=%q x1=\"%.2f\" y1=\"%.2f\" x2=\"%.2f\" y2=\"%.2f\"/>\n", class, x1, y1, x2, y2)
}

func (s svg) text(class string, x, y float64, text string) {
	s.printf("<text class=%q x=\"%.2f\" y=\"%.2f\">%s</text>\n", class, x, y, html.EscapeString(text))
}
