package measure

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"strconv"
	"strings"

	"facetd.example/api/svg"
	"facetd.example/api/tokens"
)

// Series is one line of a chart.
type Series struct {
	Name string
	X, Y []float64
	// Dots draws points alone.
	Dots bool
}

// Chart is a small chart.
type Chart struct {
	Title, X, Y string
	// LogY draws Y in decades; values of 0 and below are left out.
	LogY   bool
	Series []Series
	// MarkX and MarkY draw a line across the chart, where given.
	MarkX, MarkY *float64
}

// Size of a chart in pixels, and the margins around its field.
const (
	chartW, chartH                 = 560, 300
	chartL, chartR, chartT, chartB = 70, 150, 30, 46
)

// series are the colours of curves, repeated past their number: those of the phases, of which any two are told apart.
const series = 6

// axis is the range of one axis.
type axis struct {
	low, high float64
	log       bool
}

func (x *axis) take(v float64) {
	if x.log {
		v = math.Log10(v)
	}
	x.low, x.high = min(x.low, v), max(x.high, v)
}

func (x *axis) place(v float64) float64 {
	if x.log {
		v = math.Log10(v)
	}
	return (v - x.low) / (x.high - x.low)
}

func usable(v float64, log bool) bool {
	return !math.IsNaN(v) && !math.IsInf(v, 0) && (!log || v > 0)
}

// SVG draws the chart; it stands by itself and suits light and dark ground.
func (c *Chart) SVG() []byte {
	x, y := axis{low: math.Inf(1), high: math.Inf(-1)}, axis{low: math.Inf(1), high: math.Inf(-1), log: c.LogY}
	for _, s := range c.Series {
		for i := range s.X {
			if usable(s.X[i], false) && usable(s.Y[i], c.LogY) {
				x.take(s.X[i])
				y.take(s.Y[i])
			}
		}
	}
	if c.MarkX != nil {
		x.take(*c.MarkX)
	}
	if c.MarkY != nil && usable(*c.MarkY, c.LogY) {
		y.take(*c.MarkY)
	}
	x.widen()
	y.widen()
	d := svg.New("chart", c.Title, chartW, chartH)
	d.Style(tokens.Style(chartStyle))
	d.Text("title", chartL, 18, c.Title)
	c.frame(d, &x, &y)
	px := func(v float64) float64 { return chartL + x.place(v)*(chartW-chartL-chartR) }
	py := func(v float64) float64 { return chartH - chartB - y.place(v)*(chartH-chartT-chartB) }
	if c.MarkX != nil {
		d.Line("m", px(*c.MarkX), chartT, px(*c.MarkX), chartH-chartB)
	}
	if c.MarkY != nil && usable(*c.MarkY, c.LogY) {
		d.Line("m", chartL, py(*c.MarkY), chartW-chartR, py(*c.MarkY))
	}
	for i, s := range c.Series {
		colour := fmt.Sprintf("s%d", i%series)
		s.draw(d, colour, c.LogY, px, py)
		if i < 14 {
			d.Put(`<rect class="%v" x="%v" y="%v" width="12" height="3" fill="currentColor"/>`, colour,
				chartW-chartR+12,
				chartT+6+17*i)
			d.Text("", chartW-chartR+30, float64(chartT+12+17*i), short(s.Name))
		}
	}
	return d.Bytes()
}

const chartStyle = `
	text{font:12px sans-serif;fill:var(--ink)}
	.title{font-weight:bold}
	.g{stroke:var(--line)}
	.f{stroke:var(--edge);fill:none}
	.l{fill:none;stroke-width:1.6}
	.m{stroke:var(--edge);stroke-dasharray:5 4}
	.s0{color:var(--phase-write)}
	.s1{color:var(--phase-share)}
	.s2{color:var(--phase-load)}
	.s3{color:var(--phase-convert)}
	.s4{color:var(--phase-settle)}
	.s5{color:var(--phase-select)}
`

func short(s string) string {
	if r := []rune(s); len(r) > 16 {
		return string(r[:15]) + "…"
	}
	return s
}

// widen gives an axis some margin, and a range where there is none.
func (x *axis) widen() {
	if !(x.high >= x.low) {
		x.low, x.high = 0, 1
	}
	room := (x.high - x.low) * 0.04
	if room == 0 {
		room = max(math.Abs(x.high)*0.05, 0.5)
	}
	x.low, x.high = x.low-room, x.high+room
}

// frame draws the field with its grid and numbers.
func (c *Chart) frame(d *svg.Drawing, x, y *axis) {
	const w, h = float64(chartW - chartL - chartR), float64(chartH - chartT - chartB)
	d.Rect("f", chartL, chartT, w, h)
	for _, t := range svg.Ticks(x.low, x.high, 6) {
		at := chartL + (t-x.low)/(x.high-x.low)*w
		d.Line("g", at, chartT, at, chartT+h)
		d.Text("mid", at, chartT+h+16, number(t))
	}
	for _, t := range svg.Ticks(y.low, y.high, 5) {
		if y.log && t != math.Round(t) {
			continue
		}
		at := chartT + h - (t-y.low)/(y.high-y.low)*h
		label := number(t)
		if y.log {
			label = number(math.Pow(10, t))
		}
		d.Line("g", chartL, at, chartL+w, at)
		d.Text("end", chartL-5, at+4, label)
	}
	d.Text("mid", chartL+w/2, chartH-8, c.X)
	d.Upright("mid", 14, chartT+h/2, c.Y)
}

func number(v float64) string {
	if v == 0 {
		return "0" // and not -0
	}
	return strconv.FormatFloat(v, 'g', 4, 64)
}

func (s *Series) draw(d *svg.Drawing, colour string, log bool, px, py func(float64) float64) {
	var path strings.Builder
	for i := range s.X {
		if !usable(s.X[i], false) || !usable(s.Y[i], log) {
			continue
		}
		at, up := px(s.X[i]), py(s.Y[i])
		if s.Dots {
			d.Put(`<circle class="%v" cx="%v" cy="%v" r="2.5" fill="currentColor"/>`, colour, at, up)
			continue
		}
		fmt.Fprintf(&path, " %.1f,%.1f", at, up)
	}
	if path.Len() > 0 {
		d.Put(`<polyline class="l %v" stroke="currentColor" points="%v"/>`, colour, path.String())
	}
}

// Tile is a frame of a sheet.
type Tile struct {
	Rows, Columns int
	Codes         []uint16
}

// Sheet draws frames side by side in grey, each stretched over its own 1st to 99th
// percentile, so that a fixed pattern is seen; an empty place stands for a frame that
// is missing. It returns a PNG.
func Sheet(tiles []Tile) ([]byte, error) {
	const across, gap = 6, 4
	side := 1
	for _, t := range tiles {
		side = max(side, t.Rows, t.Columns)
	}
	zoom := max(96/side, 1)
	cell := side*zoom + gap
	n := len(tiles)
	img := image.NewGray(image.Rect(0, 0, cell*min(n, across)+gap, cell*((n+across-1)/across)+gap))
	for i := range img.Pix {
		img.Pix[i] = 0x60
	}
	for i, t := range tiles {
		if len(t.Codes) < t.Rows*t.Columns || t.Rows*t.Columns == 0 {
			continue
		}
		low, high := percentiles(t.Codes)
		for y := range t.Rows * zoom {
			for x := range t.Columns * zoom {
				v := (float64(t.Codes[y/zoom*t.Columns+x/zoom]) - low) / (high - low) * 255
				img.SetGray(gap+i%across*cell+x, gap+i/across*cell+y, color.Gray{Y: uint8(min(max(v, 0), 255))})
			}
		}
	}
	var out bytes.Buffer
	if err := png.Encode(&out, img); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

func percentiles(codes []uint16) (low, high float64) {
	var counts [1 << 16]int
	for _, c := range codes {
		counts[c]++
	}
	sum := 0
	low, high = -1, 1
	for v, n := range counts {
		sum += n
		if low < 0 && sum*100 >= len(codes) {
			low = float64(v)
		}
		if sum*100 >= 99*len(codes) {
			return low, max(float64(v), low+1)
		}
	}
	return low, low + 1
}
