package bench

import (
	"fmt"
	"io"
	"math"

	"facetd.example/api/svg"
	"facetd.example/api/tokens"
)

// Curve is a line over time in seconds; it is broken where a value is not a number.
type Curve struct {
	Name string
	At   []float64
	Y    []float64
}

// Add adds a point.
func (c *Curve) Add(at, y float64) { c.At, c.Y = append(c.At, at), append(c.Y, y) }

// Panel is a set of curves over one axis.
type Panel struct {
	Title  string
	Curves []*Curve
}

// DrawPanels draws panels of curves one below the other, over the same time.
func DrawPanels(w io.Writer, class, title string, panels []Panel) error {
	const width, left, right, high, gap, top = 820.0, 70.0, 120.0, 150.0, 46.0, 56.0
	d := svg.New(class, title, width, top+float64(len(panels))*(high+gap)+20)
	style := "text{font:12px sans-serif;fill:var(--ink)}\n.axis{stroke:var(--edge)}\n" +
		".grid{stroke:var(--line);stroke-width:.6}\n.zero{stroke:var(--edge);stroke-width:.8}\n" +
		".curve{fill:none;stroke-width:1.6}"
	for i, c := range tokens.Series { // each beside its name
		style += fmt.Sprintf("\n.c%d{stroke:var(--%s)}\n.n%[1]d{fill:var(--%[2]s)}", i, c.Name)
	}
	d.Style(tokens.Style(style))
	d.Text("", 16, 24, title)
	begin, end := math.Inf(1), math.Inf(-1)
	for _, p := range panels {
		for _, c := range p.Curves {
			for _, at := range c.At {
				begin, end = min(begin, at), max(end, at)
			}
		}
	}
	if !(end > begin) {
		begin, end = 0, 1
	}
	x := func(at float64) float64 { return left + (width-left-right)*(at-begin)/(end-begin) }
	for i, p := range panels {
		from := top + float64(i)*(high+gap)
		low, most := p.limits()
		y := func(v float64) float64 { return from + high*(most-v)/(most-low) }
		d.Text("", left, from-8, p.Title)
		for _, v := range svg.Ticks(low, most, 5) {
			d.Line("grid", left, y(v), width-right, y(v))
			d.Text("end", left-6, y(v)+4, fmt.Sprintf("%.4g", v))
		}
		if low < 0 && most > 0 {
			d.Line("zero", left, y(0), width-right, y(0))
		}
		for _, at := range svg.Ticks(begin, end, 10) {
			d.Text("mid", x(at), from+high+16, fmt.Sprintf("%.4g", at))
		}
		d.Line("axis", left, from+high, width-right, from+high)
		d.Line("axis", left, from, left, from+high)
		p.draw(d, x, y, from, width-right+8)
	}
	d.Text("mid", (left+width-right)/2, top+float64(len(panels))*(high+gap)+6, "seconds")
	_, err := d.WriteTo(w)
	return err
}

// limits is from the lowest value to the highest, with some room.
func (p *Panel) limits() (low, most float64) {
	low, most = math.Inf(1), math.Inf(-1)
	for _, c := range p.Curves {
		for _, v := range c.Y {
			if !math.IsNaN(v) {
				low, most = min(low, v), max(most, v)
			}
		}
	}
	if math.IsInf(low, 1) {
		return 0, 1
	}
	room := max(0.06*(most-low), 1e-9, 1e-3*math.Abs(most))
	return low - room, most + room
}

// draw draws the curves, with their names in the order of their ends where those do not run into each other.
func (p *Panel) draw(d *svg.Drawing, x, y func(float64) float64, top, right float64) {
	for i, c := range p.Curves {
		path, pen := "", false
		for k, v := range c.Y {
			if pen = pen && !math.IsNaN(v); math.IsNaN(v) {
				continue
			}
			letter := "M"
			if pen {
				letter = "L"
			} else if k+1 == len(c.Y) || math.IsNaN(c.Y[k+1]) { // one alone is a dot
				path += "M" + point(x(c.At[k])-1, y(v))
				letter = "L"
			}
			path, pen = path+letter+point(x(c.At[k]), y(v)), true
		}
		if path != "" {
			d.Put(`<path class="curve c%d" d="%v"/>`+"\n", i%len(tokens.Series), path)
		}
		d.Text(fmt.Sprintf("n%d", i%len(tokens.Series)), right, top+14+16*float64(i), c.Name)
	}
}

// Rest is what a chip told of a scene that does not move.
type Rest struct {
	Chip string `json:"chip"`
	// Pairs is of how many pairs it told a shift, and Refused of how many none.
	Pairs   int `json:"pairs"`
	Refused int `json:"refused"`
	// ShiftX and ShiftY are the mean shift a pair in pixels, and SdX and SdY its scatter.
	ShiftX float64 `json:"shift_x_px"`
	ShiftY float64 `json:"shift_y_px"`
	SdX    float64 `json:"sd_x_px"`
	SdY    float64 `json:"sd_y_px"`
	// DriftX and DriftY are the rate in pixels a second, and DriftSd the standard deviation of either as the scatter
	// of pairs, or that between four parts of the time has it, whichever is more.
	DriftX  float64 `json:"drift_x_px_per_s"`
	DriftY  float64 `json:"drift_y_px_per_s"`
	DriftSd float64 `json:"drift_sd_px_per_s"`

	x, y, seconds []float64
	at            float64
	sum           [2]Curve
}

// Add takes the shift of a pair in pixels, and the time between its frames.
func (r *Rest) Add(x, y, seconds float64) {
	r.x, r.y, r.seconds = append(r.x, x), append(r.y, y), append(r.seconds, seconds)
	r.at += seconds
	last := func(c *Curve) float64 {
		if len(c.Y) == 0 {
			return 0
		}
		return c.Y[len(c.Y)-1]
	}
	r.sum[0].Add(r.at, last(&r.sum[0])+x)
	r.sum[1].Add(r.at, last(&r.sum[1])+y)
}

// Finish works out what there is.
func (r *Rest) Finish() {
	if r.Pairs = len(r.x); r.Pairs == 0 {
		return
	}
	r.ShiftX, r.SdX = spread(r.x)
	r.ShiftY, r.SdY = spread(r.y)
	long := 0.0
	for _, s := range r.seconds {
		long += s
	}
	r.DriftX, r.DriftY = r.ShiftX*float64(r.Pairs)/long, r.ShiftY*float64(r.Pairs)/long
	const parts = 4
	var px, py []float64
	for k := range parts {
		from, to := r.Pairs*k/parts, r.Pairs*(k+1)/parts
		if to == from {
			continue
		}
		x, _ := spread(r.x[from:to])
		y, _ := spread(r.y[from:to])
		px, py = append(px, x), append(py, y)
	}
	_, sx := spread(px)
	_, sy := spread(py)
	// Noise of a frame is in the pair before it and in the one after, against each other: the scatter of pairs says
	// more than there is, and makes up for the few parts.
	each := (r.SdX*r.SdX + r.SdY*r.SdY) / 2 / float64(r.Pairs)
	r.DriftSd = math.Sqrt(max((sx*sx+sy*sy)/2/parts, each)) * float64(r.Pairs) / long
}

// FewestPairs is of how many pairs rest and drift are told apart at the least (our choice, no source).
const FewestPairs = 8

// Drifts reports whether it tells a motion where there is none: by more than four standard deviations, and more than a
// hundredth of a pixel a second, or more than a twentieth of a pixel a pair. Fewer pairs than FewestPairs tell nothing.
func (r *Rest) Drifts() bool {
	drift, shift := math.Hypot(r.DriftX, r.DriftY), math.Hypot(r.ShiftX, r.ShiftY)
	return r.Pairs >= FewestPairs && (drift > max(4*r.DriftSd, 0.01) || shift > 0.05)
}

// Sums are the shifts of all pairs until then, over time.
func (r *Rest) Sums() (x, y *Curve) {
	r.sum[0].Name, r.sum[1].Name = r.Chip, r.Chip
	return &r.sum[0], &r.sum[1]
}

// spread is the mean and the standard deviation.
func spread(v []float64) (mean, sd float64) {
	for _, x := range v {
		mean += x / float64(len(v))
	}
	for _, x := range v {
		sd += (x - mean) * (x - mean)
	}
	return mean, math.Sqrt(sd / float64(max(1, len(v)-1)))
}
