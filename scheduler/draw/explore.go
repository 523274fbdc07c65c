package draw

import (
	"fmt"
	"io"
	"math"
	"time"

	"facetd.example/api/svg"
	"facetd.example/api/tokens"
	"facetd.example/scheduler"
)

// Measures of the drawing in pixels.
const (
	exploreWide   = 420.0 // a panel
	exploreHigh   = 300.0
	exploreLeft   = 62.0
	exploreGap    = 84.0
	exploreTop    = 58.0
	exploreBottom = 74.0
)

// grains are how many are told apart by cells a side of a pixel: 1, 2, 4, 8 and more, each by its series' colour.
const grains = 4

func grainOf(p *scheduler.ExplorePoint) int {
	return min(int(math.Round(math.Log2(float64(p.CellsPerPixel))/2)), grains-1)
}

// Exploration draws an exploration: on the left the highest rate against the pixels per chip, on the right skew against
// hold for every number of batches. Points on the Pareto front are filled, the others hollow. Colours tell the grain
// and suit light and dark pages.
func Exploration(w io.Writer, x *scheduler.Exploration) error {
	s := &exploration{x: x}
	s.begin()
	s.rates()
	s.batches()
	s.key()
	_, err := s.WriteTo(w)
	return err
}

type exploration struct {
	*svg.Drawing
	x *scheduler.Exploration
}

// scale10 maps values onto a length by their logarithms, from start on; 0, where
// there is any, lies before that.
type scale10 struct{ low, high, zero, start, end float64 }

// zeroRoom is the part of a length that 0 takes.
const zeroRoom = .08

// newScale spans the values above 0, out to round ones.
func newScale(values []float64, from, to float64) scale10 {
	low, high := math.Inf(1), math.Inf(-1)
	start := from
	for _, v := range values {
		if v <= 0 {
			start = from + zeroRoom*(to-from)
			continue
		}
		low, high = min(low, v), max(high, v)
	}
	if low > high {
		low, high = 1, 10
	}
	// To the next 1, 2 or 5 on either side.
	return scale10{svg.Below(low), svg.Above(high), from, start, to}
}

func (c scale10) at(v float64) float64 {
	switch {
	case v <= 0:
		return c.zero
	case c.high <= c.low:
		return c.start
	}
	return c.start + (c.end-c.start)*math.Log(v/c.low)/math.Log(c.high/c.low)
}

// marks are the round values within the scale, about seven.
func (c scale10) marks() []float64 {
	marks := svg.LogTicks(c.low, c.high, 7)
	if c.zero != c.start {
		marks = append(marks, 0)
	}
	return marks
}

const exploreLight = `
	text{font:12px system-ui,sans-serif}
	.name{font-weight:600}
	.grid{stroke-opacity:.25}
	.run{fill:none;stroke-width:1;stroke-opacity:.45}
	.on.n{stroke:none}
	.off{fill:none;stroke-width:1.4;stroke-opacity:.75}
`

var exploreInks = []ink{
	{"text", "fill", "ink"}, {".dim", "fill", "muted"}, {".page", "fill", "surface"}, {".grid", "stroke", "edge"},
	{".n", "stroke", "edge"}, {".on.n", "fill", "edge"},
}

func (s *exploration) begin() {
	width, height := exploreLeft+2*exploreWide+exploreGap+24, exploreTop+exploreHigh+exploreBottom
	s.Drawing = svg.New("explore", fmt.Sprintf("What task %s could have on %s", s.x.Task, s.x.Array), width, height)
	light, dark := inked(exploreInks)
	light = exploreLight + light
	for i, c := range tokens.Series[:grains] {
		const rule = ".g%d{stroke:%s}\n.on.g%[1]d{fill:%[2]s;stroke:none}\n"
		light += fmt.Sprintf(rule, i, c.Light)
		dark += fmt.Sprintf(rule, i, c.Dark)
	}
	s.Style(light, dark)
	s.Rect("page", 0, 0, width, height)
	s.Text("name", exploreLeft, 20, fmt.Sprintf("What task %s could have on %s: %d chips", s.x.Task, s.x.Array,
		s.x.Chips))
}

// panel draws the frame of one panel, and returns its scales.
func (s *exploration) panel(left float64, title, across, up string, xs, ys []float64,
	mark func(float64) string) (scale10, scale10) {
	bottom := exploreTop + exploreHigh
	h, v := newScale(xs, left, left+exploreWide), newScale(ys, bottom, exploreTop)
	s.Text("dim", left, exploreTop-14, title)
	for _, m := range h.marks() {
		s.Line("grid", h.at(m), exploreTop, h.at(m), bottom)
		s.Text("dim mid", h.at(m), bottom+15, mark(m))
	}
	for _, m := range v.marks() {
		s.Line("grid", left, v.at(m), left+exploreWide, v.at(m))
		s.Text("dim end", left-6, v.at(m)+4, mark(m))
	}
	s.Text("dim mid", left+exploreWide/2, bottom+32, across)
	s.Upright("dim mid", left-46, exploreTop+exploreHigh/2, up)
	return h, v
}

func (s *exploration) dot(p *scheduler.ExplorePoint, x, y float64) {
	class := "off"
	if p.Pareto {
		class = "on"
	}
	// The area of a dot is the part of the asked window that is read.
	r := 2.2 + 3.6*p.WindowPart
	s.Put(`<circle class="%v g%v" cx="%v" cy="%v" r="%v"><title>%v</title></circle>`+"\n", class, grainOf(p), x, y, r,
		label(p))
}

// label describes a point.
func label(p *scheduler.ExplorePoint) string {
	return fmt.Sprintf("%d x %d pixels, block %d x %d, batches %d: %.4g Hz, skew %s, hold %s",
		p.Rows, p.Columns, p.BinRows, p.BinColumns, p.Batches, p.RateHz, scheduler.Millis(time.Duration(p.SkewNS)),
		scheduler.Millis(time.Duration(p.WorstHoldNS)))
}

func (s *exploration) rates() {
	var xs, ys []float64
	for i := range s.x.Points {
		xs, ys = append(xs, s.x.Points[i].RateHz), append(ys, float64(s.x.Points[i].Pixels))
	}
	h, v := s.panel(exploreLeft, "highest rate against pixels", "jobs per second", "pixels per chip", xs, ys,
		func(v float64) string { return fmt.Sprintf("%g", v) })
	for i := range s.x.Points {
		p := &s.x.Points[i]
		s.dot(p, h.at(p.RateHz), v.at(float64(p.Pixels)))
	}
}

// batches draws hold against skew; the points of one resolution are joined.
func (s *exploration) batches() {
	left := exploreLeft + exploreWide + exploreGap
	memory := false
	var xs, ys []float64
	for i := range s.x.Points {
		p := &s.x.Points[i]
		memory = memory || p.WorstHoldNS > 0
		xs, ys = append(xs, float64(p.SkewNS)/1e6), append(ys, float64(p.WorstHoldNS)/1e6)
	}
	if !memory { // nothing is held: what remains is skew against rate
		ys = ys[:0]
		for i := range s.x.Points {
			ys = append(ys, s.x.Points[i].RateHz)
		}
	}
	title, up := "skew against hold, batch by batch", "longest hold, ms"
	if !memory {
		title, up = "skew against rate", "jobs per second"
	}
	h, v := s.panel(left, title, "skew, ms", up, xs, ys, func(v float64) string { return fmt.Sprintf("%.3g", v) })
	for i := range s.x.Points {
		p := &s.x.Points[i]
		if i > 0 && p.Batches > s.x.Points[i-1].Batches {
			s.Put(`<path class="run g%v" d="M%v %vL%v %v"/>`+"\n", grainOf(p), h.at(xs[i-1]), v.at(ys[i-1]),
				h.at(xs[i]), v.at(ys[i]))
		}
	}
	for i := range s.x.Points {
		s.dot(&s.x.Points[i], h.at(xs[i]), v.at(ys[i]))
	}
}

func (s *exploration) key() {
	y := exploreTop + exploreHigh + 58
	x := exploreLeft
	used := [grains]bool{}
	for i := range s.x.Points {
		used[grainOf(&s.x.Points[i])] = true
	}
	for i, name := range []string{"1 cell per pixel", "2 x 2 cells", "4 x 4", "8 x 8 or more"} {
		if used[i] {
			s.Put(`<circle class="on g%v" cx="%v" cy="%v" r="5"/>`+"\n", i, x+5, y-4)
			s.Text("dim", x+15, y, name)
			x += 30 + 6.6*float64(len(name))
		}
	}
	for _, e := range []struct {
		class, name string
		r           float64
	}{{"on n", "on the Pareto front", 5}, {"off n", "not on it", 5}, {"on n", "whole window", 5.8},
		{"on n", "a quarter of its sides", 3.1}} {
		s.Put(`<circle class="%v" cx="%v" cy="%v" r="%v"/>`+"\n", e.class, x+5, y-4, e.r)
		s.Text("dim", x+15, y, e.name)
		x += 34 + 6.6*float64(len(e.name))
	}
}
