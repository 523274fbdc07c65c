package bench

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"

	"facetd.example/api/svg"
	"facetd.example/api/tokens"
)

// Field is what a chip sees: described, and as it was measured.
type Field struct {
	Attitude
	// HorizontalDeg and VerticalDeg are the full field of view as described, and as measured.
	HorizontalDeg         float64 `json:"horizontal_deg"`
	VerticalDeg           float64 `json:"vertical_deg"`
	MeasuredHorizontalDeg float64 `json:"measured_horizontal_deg"`
	MeasuredVerticalDeg   float64 `json:"measured_vertical_deg"`
	// AxisDeg is the angle between the optical axis as described and as measured.
	AxisDeg float64 `json:"axis_deg"`
}

// FieldOf is the field of a chip with its description. The rate that a chip tells is in proportion to the angle that a
// pixel is described to see in the middle; a rectilinear lens has the tangent of half the field in the same proportion.
func FieldOf(a Attitude, horizontal, vertical float64, rectilinear bool) Field {
	f := Field{Attitude: a, HorizontalDeg: horizontal, VerticalDeg: vertical, MeasuredHorizontalDeg: horizontal,
		MeasuredVerticalDeg: vertical}
	if a.Why != "" {
		return f
	}
	measured := func(deg float64) float64 {
		if rectilinear {
			return 2 * math.Atan(math.Tan(deg*math.Pi/360)/a.Scale) * 180 / math.Pi
		}
		return deg / a.Scale
	}
	f.MeasuredHorizontalDeg, f.MeasuredVerticalDeg = measured(horizontal), measured(vertical)
	f.AxisDeg = angleOf(f.Described.matrix().column(0), f.Measured.matrix().column(0))
	return f
}

func (m Matrix) column(k int) Vector { return Vector{m[0][k], m[1][k], m[2][k]} }

// angleOf is the angle between two directions, in degrees.
func angleOf(a, b Vector) float64 {
	c := cross(a, b)
	return math.Atan2(math.Sqrt(c.dot(c)), a.dot(b)) * 180 / math.Pi
}

// Overlap is how far the fields of two neighbours overlap along the line between their axes, in degrees; below 0 it is
// a gap.
type Overlap struct {
	Chips        [2]string `json:"chips"`
	DescribedDeg float64   `json:"described_deg"`
	MeasuredDeg  float64   `json:"measured_deg"`
}

// nearby is the widest gap between chips that are neighbours, in degrees.
const nearby = 5

// Overlaps are those of all neighbours, by description or measurement.
func Overlaps(fields []Field) []Overlap {
	out := []Overlap{}
	for i := range fields {
		for k := range i {
			a, b := &fields[k], &fields[i]
			if a.Why != "" || b.Why != "" {
				continue
			}
			o := Overlap{Chips: [2]string{a.Chip, b.Chip},
				DescribedDeg: overlap(a.Described, b.Described, a.HorizontalDeg, a.VerticalDeg, b.HorizontalDeg,
					b.VerticalDeg),
				MeasuredDeg: overlap(a.Measured, b.Measured, a.MeasuredHorizontalDeg, a.MeasuredVerticalDeg,
					b.MeasuredHorizontalDeg, b.MeasuredVerticalDeg)}
			if max(o.DescribedDeg, o.MeasuredDeg) > -nearby {
				out = append(out, o)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Overlap) int {
		return slices.Compare(a.Chips[:], b.Chips[:])
	})
	return out
}

func overlap(a, b Mount, aWide, aHigh, bWide, bHigh float64) float64 {
	x, y := a.matrix().column(0), b.matrix().column(0)
	return half(a, y, aWide, aHigh) + half(b, x, bWide, bHigh) - angleOf(x, y)
}

// half is how far the field of a chip goes towards a direction, in degrees from its axis.
func half(m Mount, towards Vector, wide, high float64) float64 {
	r := m.matrix()
	left, up := math.Abs(r.column(1).dot(towards)), math.Abs(r.column(2).dot(towards))
	if left+up < 1e-12 {
		return min(wide, high) / 2
	}
	n := math.Hypot(left, up)
	x, y := math.Tan(wide*math.Pi/360)*n/max(left, 1e-12), math.Tan(high*math.Pi/360)*n/max(up, 1e-12)
	return math.Atan(min(x, y)) * 180 / math.Pi
}

// DrawFields draws the outline of what each chip sees on a map of directions: broken as described, whole as measured.
func DrawFields(w io.Writer, title string, fields []Field) error {
	const scale, left, top = 2.4, 50.0, 60.0
	d := svg.New("fields", title, left+360*scale+20, top+180*scale+50)
	d.Style(tokens.Style("text{font:12px sans-serif;fill:var(--ink)}\n.axis{stroke:var(--line);stroke-width:.5}\n" +
		".was{fill:none;stroke:var(--edge);stroke-dasharray:4 3}\n" +
		".is{fill:none;stroke:var(--series-1);stroke-width:1.6}\n" +
		".off{fill:none;stroke:var(--series-2);stroke-width:1.6}\n.small{font-size:10px}"))
	d.Text("", 16, 24, title)
	d.Text("", 16, 42, "broken: as the array file has it; whole: as measured, red where that is surely another")
	x := func(yaw float64) float64 { return left + (180-yaw)*scale }
	y := func(pitch float64) float64 { return top + (90-pitch)*scale }
	for deg := -180.0; deg <= 180; deg += 45 {
		d.Line("axis", x(deg), y(90), x(deg), y(-90))
		d.Text("mid", x(deg), y(-90)+16, degrees(deg))
		if math.Abs(deg) <= 90 {
			d.Line("axis", x(-180), y(deg), x(180), y(deg))
			d.Text("end", left-6, y(deg)+4, degrees(deg))
		}
	}
	d.Text("mid", x(0), y(-90)+34, "degrees to the left of ahead; upright degrees upward")
	for i := range fields {
		f := &fields[i]
		outline(d, "was", f.Described, f.HorizontalDeg, f.VerticalDeg, x, y)
		class := "is"
		if f.Changed() {
			class = "off"
		}
		m := f.Measured
		if f.Why != "" {
			m = f.Described
		} else {
			outline(d, class, m, f.MeasuredHorizontalDeg, f.MeasuredVerticalDeg, x, y)
		}
		d.Text("mid small", x(math.Remainder(m.YawDeg, 360)), y(m.PitchDeg)+4, f.Chip)
	}
	_, err := d.WriteTo(w)
	return err
}

// outline draws the edge of a frame, broken where it leaves the map behind the body.
func outline(d *svg.Drawing, class string, m Mount, wide, high float64, x, y func(float64) float64) {
	r := m.matrix()
	tx, ty := math.Tan(min(wide, 170)*math.Pi/360), math.Tan(min(high, 170)*math.Pi/360)
	corners := [][2]float64{{1, 1}, {-1, 1}, {-1, -1}, {1, -1}, {1, 1}}
	path, last := "", 0.0
	for i := range 4 {
		for k := range 13 {
			p := float64(k) / 12
			a := (corners[i][0]*(1-p) + corners[i+1][0]*p) * tx
			b := (corners[i][1]*(1-p) + corners[i+1][1]*p) * ty
			v := r.times(Vector{1, a, b})
			yaw, pitch := math.Atan2(v[1], v[0])*180/math.Pi, math.Atan2(v[2], math.Hypot(v[0], v[1]))*180/math.Pi
			letter := "L"
			if path == "" || math.Abs(yaw-last) > 180 {
				letter = "M"
			}
			path, last = path+letter+point(x(yaw), y(pitch)), yaw
		}
	}
	d.Put(`<path class="%v" d="%v"/>`+"\n", class, path)
}

func degrees(v float64) string { return strconv.FormatFloat(v, 'f', 0, 64) }

func point(x, y float64) string { return fmt.Sprintf("%.1f %.1f", x, y) }
