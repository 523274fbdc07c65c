package bench

import (
	"fmt"
	"io"
	"math"

	"facetd.example/api/svg"
	"facetd.example/api/tokens"
)

// Droop is how fast what a chip's memory holds changes, by views of one load that were read one after the other.
type Droop struct {
	// Sets of frames that it was taken from.
	Sets int `json:"sets"`
	// VoltsPerS is the rate at the converter, and Sd its standard deviation.
	VoltsPerS float64 `json:"volts_per_s"`
	Sd        float64 `json:"sd_volts_per_s"`
	// Codes is the mean code of what was held.
	Codes float64 `json:"codes"`

	rates, codes []float64
}

// Add takes the mean codes of one load, read at two times, that lie seconds apart.
func (d *Droop) Add(first, again, seconds, voltsPerCode float64) {
	d.rates, d.codes = append(d.rates, (again-first)*voltsPerCode/seconds), append(d.codes, first)
	var sd float64
	d.Sets = len(d.rates)
	d.VoltsPerS, sd = spread(d.rates)
	d.Sd = sd / math.Sqrt(float64(d.Sets))
	d.Codes, _ = spread(d.codes)
}

// Leak is the droop of a chip covered and lit.
type Leak struct {
	Chip    string `json:"chip"`
	Covered Droop  `json:"covered"`
	Lit     Droop  `json:"lit"`
	// LightVoltsPerS is by how much light makes it faster, and Sd its standard deviation.
	LightVoltsPerS float64 `json:"light_volts_per_s"`
	Sd             float64 `json:"sd_volts_per_s"`
	// StepAfterMs is after which hold light alone has changed what is held by half a step of the converter; nil where
	// no leak by light is sure.
	StepAfterMs *float64 `json:"half_step_after_ms"`
}

// InBoth reports whether both lights were measured, by two sets each at the least.
func (l *Leak) InBoth() bool { return l.Covered.Sets > 1 && l.Lit.Sets > 1 }

// Finish compares the two, where both were measured; step is a step of the converter in volts.
func (l *Leak) Finish(step float64) {
	if !l.InBoth() {
		return
	}
	l.LightVoltsPerS = l.Lit.VoltsPerS - l.Covered.VoltsPerS
	l.Sd = math.Hypot(l.Lit.Sd, l.Covered.Sd)
	if l.Sure() && step > 0 {
		after := step / 2 / math.Abs(l.LightVoltsPerS) * 1e3
		l.StepAfterMs = &after
	}
}

// Sure reports whether light changes the droop beyond four standard deviations.
func (l *Leak) Sure() bool {
	return l.InBoth() && math.Abs(l.LightVoltsPerS) > 4*l.Sd
}

// DrawLeaks draws two bars for each chip: its droop covered, and lit, with their standard deviations.
func DrawLeaks(w io.Writer, title string, of []*Leak) error {
	const width, left, line, top = 680.0, 110.0, 40.0, 60.0
	low, most := 0.0, 1e-9
	for _, l := range of {
		for _, d := range []*Droop{&l.Covered, &l.Lit} {
			low, most = min(low, 1e3*(d.VoltsPerS-d.Sd)), max(most, 1e3*(d.VoltsPerS+d.Sd))
		}
	}
	d := svg.New("leak", title, width, top+line*float64(len(of))+44)
	d.Style(tokens.Style("text{font:12px sans-serif;fill:var(--ink)}\n.covered{fill:var(--muted)}\n" +
		".lit{fill:var(--series-2)}\n.sd{stroke:var(--ink)}\n.axis{stroke:var(--edge)}"))
	d.Text("", 16, 24, title)
	d.Text("", 16, 42, "upper bar, grey: covered; lower bar: lit; lines: a standard deviation either way")
	x := func(v float64) float64 { return left + (width-left-40)*(v-low)/(most-low) }
	for i, l := range of {
		y := top + line*float64(i)
		d.Text("end", left-8, y+20, l.Chip)
		for k, b := range []*Droop{&l.Covered, &l.Lit} {
			at, v := y+3+16*float64(k), 1e3*b.VoltsPerS
			d.Rect([]string{"covered", "lit"}[k], min(x(0), x(v)), at, math.Abs(x(v)-x(0)), 13)
			d.Line("sd", x(v-1e3*b.Sd), at+6.5, x(v+1e3*b.Sd), at+6.5)
		}
	}
	foot := top + line*float64(len(of))
	d.Line("axis", left, foot, width-40, foot)
	d.Line("axis", x(0), top, x(0), foot)
	for _, v := range svg.Ticks(low, most, 6) {
		d.Text("mid", x(v), foot+16, fmt.Sprintf("%.3g", v))
	}
	d.Text("mid", (left+width)/2, foot+34, "change of what is held, millivolts a second at the converter")
	_, err := d.WriteTo(w)
	return err
}
