package budget

import (
	"fmt"
	"io"
	"math"

	"facetd.example/api/svg"
	"facetd.example/api/tokens"
)

// Measures of the drawing in pixels.
const (
	drawLeft  = 250.0 // names
	drawWide  = 360.0 // bars
	drawRight = 200.0 // figures
	drawRow   = 22.0
	drawTop   = 64.0
	drawEnd   = 58.0
	// drawDecades is how many decades below the largest term are drawn: what is less adds nothing that is seen.
	drawDecades = 4
)

// drawStyle is the style, in the colours of everything that is looked at; what is drawn says its nature in words as
// well.
const drawStyle = `text{font:12px system-ui,sans-serif;fill:var(--ink)}
.title{font-size:15px;font-weight:600}
.quiet{fill:var(--muted)}
.grid{stroke:var(--line)}
.random{fill:var(--series-1)}
.fixed{fill:var(--series-2)}
.systematic{fill:var(--series-3)}
.sum{fill:var(--series-4)}
`

// Draw draws the terms as bars over a logarithmic axis of volts, the largest first, then the sums, and names what the
// sums do not have in them.
func (b Budget) Draw(w io.Writer) error {
	rows := append(append([]Term{}, b.Terms...), b.Random, b.Total)
	unknown := min(len(b.Unknown), 1)
	high := drawTop + drawRow*float64(len(rows)+unknown) + drawEnd
	d := svg.New("budget", fmt.Sprintf("Noise and error of %s at %g lux", b.Class, b.Lux),
		drawLeft+drawWide+drawRight, high)
	d.Style(tokens.Style(drawStyle))
	d.Text("title", 12, 24, fmt.Sprintf("%s (%s) at %g lux", b.Class, b.Chip, b.Lux))
	d.Text("quiet", 12, 44, fmt.Sprintf("signal %.4g V, %.3g mV per decade, step %.3g mV", b.SignalVolts,
		1e3*b.VoltsPerDecade, 1e3*b.StepVolts))
	top := math.Ceil(math.Log10(b.Total.Volts))
	at := func(volts float64) float64 {
		return drawLeft + drawWide*max(math.Log10(volts)-top+drawDecades, 0)/drawDecades
	}
	bottom := drawTop + drawRow*float64(len(rows))
	for decade := top - drawDecades; decade <= top; decade++ {
		volts := math.Pow(10, decade)
		d.Line("grid", at(volts), drawTop-6, at(volts), bottom)
		d.Text("quiet mid", at(volts), bottom+16, fmt.Sprintf("%.3g mV", 1e3*volts))
	}
	for i, t := range rows {
		y := drawTop + drawRow*float64(i)
		class := string(t.Nature)
		if i >= len(b.Terms) {
			class = "sum"
		}
		d.Text("end", drawLeft-8, y+14, t.Name)
		d.Rect(class, drawLeft, y+2, max(at(t.Volts)-drawLeft, 1), drawRow-6)
		figure := fmt.Sprintf("%.3g codes", t.Codes)
		if i < len(b.Terms) {
			figure += ", " + string(t.Nature)
		}
		d.Text("quiet", drawLeft+drawWide+8, y+14, figure)
	}
	if n := len(b.Unknown); n > 0 {
		d.Text("quiet", 12, bottom+40,
			fmt.Sprintf("not in the sums, as the array file gives nothing for it: %d of its "+
				"fields, which the table names", n))
	}
	_, err := d.WriteTo(w)
	return err
}
