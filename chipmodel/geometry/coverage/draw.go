package coverage

import (
	"fmt"
	"io"
	"math"
	"strings"

	"facetd.example/api/svg"
	"facetd.example/api/tokens"
	"facetd.example/chipmodel/geometry"
)

// The picture: the whole sphere in Hammer's projection, which keeps areas (from memory), as seen from within: left is
// left, and straight ahead is in the middle.
const (
	drawWidth  = 960.0
	drawHeight = 580.0
	drawRadius = 440.0 // half the width of the ellipse
	drawRings  = 90    // bands of the picture
	mostShades = 5     // times seen that have a shade of their own; more have the last
)

// run is a piece of a band that is seen equally often.
type run struct {
	ring     int
	from, to float64 // azimuths, radians from -pi on
	times    int
}

type drawing struct {
	runs   []run
	fields []field
}

// drawing looks at the sphere by bands.
func (s *survey) drawing() drawing {
	d := drawing{fields: s.fields}
	const columns = 2 * drawRings
	var buffer []int
	for ring := range drawRings {
		theta := math.Pi * (float64(ring) + 0.5) / drawRings
		last := run{times: -1}
		for column := range columns {
			from := 2*math.Pi*float64(column)/columns - math.Pi
			az := from + math.Pi/columns
			buffer = s.sees([3]float64{math.Sin(theta) * math.Cos(az), math.Sin(theta) * math.Sin(az), math.Cos(theta)},
				buffer)
			if len(buffer) != last.times {
				d.end(last, from)
				last = run{ring: ring, from: from, times: len(buffer)}
			}
		}
		d.end(last, math.Pi)
	}
	return d
}

func (d *drawing) end(r run, at float64) {
	if r.times > 0 {
		r.to = at
		d.runs = append(d.runs, r)
	}
}

// hammer is the place of a direction in the picture.
func hammer(azimuth, elevation float64) (x, y float64) {
	sin, cos := math.Sincos(elevation)
	half := math.Sqrt(1 + cos*math.Cos(azimuth/2))
	return drawWidth/2 - drawRadius*cos*math.Sin(azimuth/2)/half, drawHeight/2 - drawRadius*sin/half/2
}

const drawStyle = `text{font:13px sans-serif;fill:var(--ink)}
.small{font-size:11px;fill:var(--muted)}
.ground{fill:var(--sunken);stroke:var(--edge)}
.t1{fill:var(--shade-1)}
.t2{fill:var(--shade-2)}
.t3{fill:var(--shade-3)}
.t4{fill:var(--shade-4)}
.t5{fill:var(--shade-5)}
.grid{fill:none;stroke:var(--edge);stroke-width:0.5}
.edge{fill:none;stroke:var(--ink);stroke-width:1.2}
.name{font-size:11px;fill:var(--ink);stroke:var(--surface);stroke-width:2.5;paint-order:stroke}`

// Draw draws what is seen, as SVG.
func (r *Report) Draw(w io.Writer, title string) error {
	d := svg.New("coverage", title, drawWidth, drawHeight)
	d.Style(tokens.Style(drawStyle))
	d.Text("", 16, 24, title)
	d.Text("small", 16, 42, r.caption())
	d.Put(`<path class="ground" d="%v"/>`+"\n", rim())
	shades := make([]strings.Builder, mostShades+1)
	for _, run := range r.drawing.runs {
		run.path(&shades[min(run.times, mostShades)])
	}
	for i := range shades {
		if shades[i].Len() > 0 {
			d.Put(`<path class="%v" d="%v"/>`+"\n", fmt.Sprintf("t%d", i), shades[i].String())
		}
	}
	graticule(d)
	for _, f := range r.drawing.fields {
		d.Put(`<path class="edge" d="%v"/>`+"\n", outline(f.outline))
	}
	r.names(d)
	r.legend(d)
	_, err := d.WriteTo(w)
	return err
}

// names puts the names of the chips at their axes, or below where another is in the way.
func (r *Report) names(d *svg.Drawing) {
	const width, height = 62, 26
	var taken [][2]float64
	for i, f := range r.drawing.fields {
		az, el := angles(f.axis)
		x, y := hammer(geometry.Radians(az), geometry.Radians(el))
		for k := 0; k < len(taken); k++ {
			if math.Abs(x-taken[k][0]) < width && math.Abs(y-taken[k][1]) < height {
				y, k = taken[k][1]+height, -1
			}
		}
		taken = append(taken, [2]float64{x, y})
		d.Text("name mid", x, y, f.Name)
		d.Text("name mid", x, y+12, fmt.Sprintf("%.2g°/px", r.Chips[i].DegreesPerPixel))
	}
}

func (r *Report) caption() string {
	where := "far away"
	switch {
	case r.SphereM > 0:
		where = fmt.Sprintf("at %.3g m", r.SphereM)
	case r.PipeM > 0:
		where = fmt.Sprintf("on the wall of a pipe of %.3g m radius", r.PipeM)
	}
	return fmt.Sprintf("%s: %.1f %% of the sphere is seen, %.1f %% twice or more; left is left, ahead is in the middle",
		where, 100*r.SeenFraction, 100*r.TwiceFraction)
}

// legend tells how often each shade is seen.
func (r *Report) legend(d *svg.Drawing) {
	x := 16.0
	for _, t := range r.Times {
		class, label := "ground", "not seen"
		if t.Times > 0 {
			class = fmt.Sprintf("t%d", min(t.Times, mostShades))
			label = fmt.Sprintf("%d times", t.Times)
			if t.Times == 1 {
				label = "once"
			}
		}
		d.Rect(class, x, drawHeight-34, 18, 18)
		d.Text("small", x+24, drawHeight-21, fmt.Sprintf("%s %.1f %%", label, 100*t.Fraction))
		x += 130
	}
}

// rim is the edge of the ellipse.
func rim() string {
	var b strings.Builder
	for i := range 181 {
		x, y := hammer(math.Pi, geometry.Radians(float64(i)-90))
		move(&b, i == 0, x, y)
	}
	for i := range 181 {
		x, y := hammer(-math.Pi, geometry.Radians(90-float64(i)))
		move(&b, false, x, y)
	}
	return b.String() + "Z"
}

// path adds the outline of a run.
func (r run) path(b *strings.Builder) {
	top, bottom := math.Pi/2-math.Pi*float64(r.ring)/drawRings, math.Pi/2-math.Pi*float64(r.ring+1)/drawRings
	steps := max(int((r.to-r.from)/0.12), 1)
	for i := range steps + 1 {
		x, y := hammer(r.from+(r.to-r.from)*float64(i)/float64(steps), top)
		move(b, i == 0, x, y)
	}
	for i := range steps + 1 {
		x, y := hammer(r.to-(r.to-r.from)*float64(i)/float64(steps), bottom)
		move(b, false, x, y)
	}
	b.WriteString("Z")
}

// outline is a closed line around a field, broken where it leaves the picture on one side and comes back on the other.
func outline(of [][3]float64) string {
	var b strings.Builder
	last := 0.0
	for i := range len(of) + 1 {
		az, el := angles(of[i%len(of)])
		x, y := hammer(geometry.Radians(az), geometry.Radians(el))
		move(&b, i == 0 || math.Abs(az-last) > 180, x, y)
		last = az
	}
	return b.String()
}

// graticule draws meridians and parallels every 30 degrees.
func graticule(d *svg.Drawing) {
	var b strings.Builder
	for az := -150.0; az <= 150; az += 30 {
		for el := -90.0; el <= 90; el += 5 {
			x, y := hammer(geometry.Radians(az), geometry.Radians(el))
			move(&b, el == -90, x, y)
		}
		x, y := hammer(geometry.Radians(az), 0)
		d.Text("small mid", x, y-2, fmt.Sprintf("%g°", az))
	}
	for el := -60.0; el <= 60; el += 30 {
		for az := -180.0; az <= 180; az += 5 {
			x, y := hammer(geometry.Radians(az), geometry.Radians(el))
			move(&b, az == -180, x, y)
		}
	}
	d.Put(`<path class="grid" d="%v"/>`+"\n", b.String())
}

func move(b *strings.Builder, begin bool, x, y float64) {
	letter := "L"
	if begin {
		letter = "M"
	}
	fmt.Fprintf(b, "%s%.1f %.1f", letter, x, y)
}
