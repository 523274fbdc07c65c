package geometry

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"
)

var square64 = Lattice{Rows: 64, Columns: 64, PitchXUm: 10, PitchYUm: 10}

func mustCamera(t testing.TB, l Lattice, m Mount, e Lens) *Camera {
	t.Helper()
	if errs := append(l.Check(), e.Check(l)...); len(errs) > 0 {
		t.Fatal(errs)
	}
	return New(l, m, e)
}

func TestCheckTellsEveryError(t *testing.T) {
	nan, plain := math.NaN(), Lens{HorizontalFOVDeg: 60, VerticalFOVDeg: 60}
	change := func(f func(*Lens)) Lens { e := plain; f(&e); return e }
	hex := func(pitchY float64) Lattice {
		return Lattice{Rows: 4, Columns: 4, Hexagonal: true, PitchXUm: 10, PitchYUm: pitchY}
	}
	for name, c := range map[string]struct {
		lattice Lattice
		lens    Lens
		want    []string
	}{
		"plain": {square64, plain, nil},
		"lattice": {Lattice{Columns: 9000, PitchXUm: -1}, plain,
			[]string{"lattice.columns", "lattice.pitch_x_um", "lattice.pitch_y_um", "lattice.rows"}},
		"numbers of the lens": {square64, Lens{HorizontalFOVDeg: 180, VerticalFOVDeg: nan, DistortionK1: nan,
			Vignetting: 1.1, BlurPixels: -1}, []string{"lens.blur_pixels", "lens.distortion_k1",
			"lens.horizontal_fov_deg", "lens.vertical_fov_deg", "lens.vignetting"}},
		"hexagonal, square pitch": {hex(10), plain, []string{"lattice.pitch_y_um"}},
		"hexagonal, none":         {hex(0), plain, nil},
		"hexagonal, two digits":   {hex(8.66), plain, nil},
		"folded at the corner": {square64, change(func(e *Lens) { e.DistortionK1 = -0.9 }),
			[]string{"lens.distortion_k1"}},
		"corners behind the lens": {square64,
			Lens{Projection: Equidistant, HorizontalFOVDeg: 300, VerticalFOVDeg: 300},
			[]string{"lens.horizontal_fov_deg"}},
		"all around": {square64,
			Lens{Projection: Equidistant, HorizontalFOVDeg: 250, VerticalFOVDeg: 250}, nil},
		"stereographic, wide": {square64,
			Lens{Projection: Stereographic, HorizontalFOVDeg: 300, VerticalFOVDeg: 300}, nil},
		"stereographic, too wide": {square64,
			Lens{Projection: Stereographic, HorizontalFOVDeg: 350, VerticalFOVDeg: 300},
			[]string{"lens.horizontal_fov_deg"}},
		"two falloffs": {square64,
			change(func(e *Lens) { e.Vignetting, e.Falloff = 1, []FalloffPoint{{0, 1}, {40, 0.5}} }),
			[]string{"lens.vignetting"}},
		"one point": {square64, change(func(e *Lens) { e.Falloff = []FalloffPoint{{0, 1}} }),
			[]string{"lens.falloff"}},
		"falloff out of order": {square64,
			change(func(e *Lens) { e.Falloff = []FalloffPoint{{0, 1}, {40, 0.5}, {30, 0.4}} }),
			[]string{"lens.falloff[2].angle_deg"}},
		"brighter aside": {square64, change(func(e *Lens) { e.Falloff = []FalloffPoint{{0, 1}, {40, 1.5}} }),
			[]string{"lens.falloff[1].relative"}},
		"not from the axis": {square64, change(func(e *Lens) { e.Falloff = []FalloffPoint{{5, 1}, {40, 0.5}} }),
			[]string{"lens.falloff[0]"}},
		"focus without an aperture": {square64, change(func(e *Lens) { e.FocusM, e.SubjectM = 1, 1 }),
			[]string{"lens.focus_m", "lens.subject_m"}},
		"f-number": {square64, change(func(e *Lens) { e.FNumber = 0.1 }), []string{"lens.f_number"}},
		"nearer than the lens": {square64, change(func(e *Lens) { e.FNumber, e.FocusM = 2, 1e-4 }),
			[]string{"lens.focus_m"}},
		"no distance": {square64, change(func(e *Lens) { e.FNumber, e.SubjectM = 2, nan }),
			[]string{"lens.subject_m"}},
		"all blur": {Lattice{Rows: 640, Columns: 640, PitchXUm: 10, PitchYUm: 10},
			change(func(e *Lens) { e.FNumber, e.SubjectM = 0.5, 0.02 }), []string{"lens.subject_m"}},
	} {
		m := c.lattice.Check().Under("lattice")
		if len(m) == 0 {
			m = c.lens.Check(c.lattice).Under("lens")
		}
		var got []string
		for _, one := range m {
			got = append(got, one.Path)
			if one.Message == "" || one.Hint == "" {
				t.Errorf("%s: %s has no message or hint", name, one)
			}
		}
		slices.Sort(got)
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: errors in %v, want %v: %v", name, got, c.want, m)
		}
	}
}

// The field of view is measured between the edges of the array, half a cell
// beyond the middle of the outermost cells, through a lens of any distortion.
func TestFieldOfViewReachesTheEdges(t *testing.T) {
	for _, p := range []Projection{Rectilinear, Equidistant, Stereographic} {
		for _, k1 := range []float64{0, -0.12, 0.3} {
			for _, hex := range []bool{false, true} {
				l := Lattice{Rows: 501, Columns: 501, PitchXUm: 10, PitchYUm: 7, Hexagonal: hex}
				if hex {
					l.PitchYUm = 0
				}
				c := mustCamera(t, l, Mount{}, Lens{Projection: p, HorizontalFOVDeg: 80, VerticalFOVDeg: 50,
					DistortionK1: k1})
				width, height := l.Extent()
				left, bottom := c.Sight(-width/2, 0).Ray, c.Sight(0, height/2).Ray
				if got := Degrees(math.Atan2(left[1], left[0])); math.Abs(got-40) > 1e-9 {
					t.Errorf("%v k1 %v hex %v: left edge at %v degrees", p, k1, hex, got)
				}
				if got := Degrees(math.Atan2(bottom[2], bottom[0])); math.Abs(got+25) > 1e-9 {
					t.Errorf("%v k1 %v hex %v: bottom edge at %v degrees", p, k1, hex, got)
				}
			}
		}
	}
}

// TestVerticalFOVBelongsToEqualFocalLengths: what is given to a plain lens by its field along one axis is as many
// focal lengths to the column pitch along the other.
func TestVerticalFOVBelongsToEqualFocalLengths(t *testing.T) {
	l := Lattice{Rows: 48, Columns: 64, PitchXUm: 10, PitchYUm: 10}
	// tan 45 * 48/64 = 3/4, and atan(3/4) = 36.8699 degrees.
	if got := Rectilinear.VerticalFOVDeg(90, l); math.Abs(got-2*36.86989764584402) > 1e-9 {
		t.Errorf("vertical field %v", got)
	}
	for _, p := range []Projection{Rectilinear, Equidistant, Stereographic} {
		for _, h := range []float64{1, 60, 120} {
			c := mustCamera(t, l, Mount{}, Lens{Projection: p, HorizontalFOVDeg: h,
				VerticalFOVDeg: p.VerticalFOVDeg(h, l)})
			s := c.Sight(0, 0)
			if r, d := Length(s.Right), Length(s.Down); math.Abs(r/d-1) > 1e-9 {
				t.Errorf("%v of %v degrees: a pitch is %v rad along a row, %v rad along a column", p, h, r, d)
			}
		}
	}
	if got := Rectilinear.VerticalFOVDeg(160, Lattice{Rows: 1000, Columns: 1, PitchXUm: 1, PitchYUm: 1}); got != 170 {
		t.Errorf("a high array has a vertical field of %v degrees, want the widest", got)
	}
}

// randomCamera draws any lattice, mount and lens that New takes.
func randomCamera(t *testing.T, rng *rand.Rand) *Camera {
	for range 1000 {
		l := Lattice{Rows: 1 + rng.IntN(40), Columns: 1 + rng.IntN(40), PitchXUm: 5 + 50*rng.Float64(),
			PitchYUm: 5 + 50*rng.Float64(), Hexagonal: rng.IntN(3) == 0}
		if l.Hexagonal {
			l.PitchYUm = 0
		}
		e := Lens{Projection: Projection(rng.IntN(3))}
		e.HorizontalFOVDeg, e.VerticalFOVDeg = 5+rng.Float64()*(e.Projection.widest()-5),
			5+rng.Float64()*(e.Projection.widest()-5)
		if rng.IntN(2) == 0 {
			e.DistortionK1 = 0.4*rng.Float64() - 0.2
		}
		if len(e.Check(l)) == 0 {
			return New(l, Mount{YawDeg: rng.Float64()*720 - 360, PitchDeg: rng.Float64()*180 - 90,
				RollDeg: rng.Float64()*720 - 360}, e)
		}
	}
	t.Fatal("no camera can be drawn")
	return nil
}

func within1(rng *rand.Rand) float64 { return 2*rng.Float64() - 1 }

// TestProjectInvertsSight: the point that looks in the direction in which a point looks is that point; the Jacobian is
// that of finite differences, and what a square pitch sees is the area that it spans.
func TestProjectInvertsSight(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 5000 {
		c := randomCamera(t, rng)
		width, height := c.Lattice().Extent()
		x, y := within1(rng)*width/2*0.999, within1(rng)*height/2*0.999
		s := c.Sight(x, y)
		if s.Angle > math.Pi-0.01 { // there a point is a ring
			continue
		}
		if math.Abs(Length(s.Ray)-1) > 1e-12 {
			t.Fatalf("ray of length %v", Length(s.Ray))
		}
		px, py, ok := c.Project(3*s.Ray[0], 3*s.Ray[1], 3*s.Ray[2])
		if !ok || math.Hypot(px-x, py-y) > 1e-6*(width+height) {
			t.Fatalf("%+v %+v: (%v, %v) becomes (%v, %v) %v", c.Lens(), c.Lattice(), x, y, px, py, ok)
		}
		h := 1e-5 / max(1, Length(s.Right), Length(s.Down)) // pixels may look around half a sphere each
		finite := func(dx, dy float64) (d [3]float64) {
			a, b := c.Sight(x-dx, y-dy).Ray, c.Sight(x+dx, y+dy).Ray
			for i := range d {
				d[i] = (b[i] - a[i]) / (2 * h)
			}
			return d
		}
		right, down := finite(h, 0), finite(0, h)
		size := Length(s.Right) + Length(s.Down)
		if off := Length(minus(right, s.Right)) + Length(minus(down, s.Down)); off > 1e-5*size+1e-9 {
			t.Fatalf("%+v at (%v, %v): right %v and down %v, differences say %v and %v", c.Lens(), x, y, s.Right,
				s.Down,
				right, down)
		}
		if spanned := Length(cross(s.Right, s.Down)); math.Abs(spanned-s.SolidAngle) > 1e-9*size*size {
			t.Fatalf("%+v: a square pitch sees %v sr, its sides span %v", c.Lens(), s.SolidAngle, spanned)
		}
	}
}

// TestSolidAnglesAreWhatDirectionsCount: of directions drawn evenly over the sphere, as many are projected into the
// array as the solid angles of its cells say; and a cell at random gets its share.
func TestSolidAnglesAreWhatDirectionsCount(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	const n = 400_000
	for _, e := range []Lens{
		{HorizontalFOVDeg: 100, VerticalFOVDeg: 70, DistortionK1: -0.04},
		{Projection: Equidistant, HorizontalFOVDeg: 200, VerticalFOVDeg: 180},
		{Projection: Equidistant, HorizontalFOVDeg: 120, VerticalFOVDeg: 160, DistortionK1: 0.1},
		{Projection: Stereographic, HorizontalFOVDeg: 220, VerticalFOVDeg: 220},
	} {
		l := Lattice{Rows: 90, Columns: 110, PitchXUm: 10, PitchYUm: 12}
		c := mustCamera(t, l, Mount{YawDeg: 40, PitchDeg: 20, RollDeg: 70}, e)
		var sum float64
		for r := range l.Rows {
			for col := range l.Columns {
				sum += c.Pixel(r, col).SolidAngle * l.RowPitch()
			}
		}
		inside, upper := 0.0, 0.0
		for range n {
			_, y, ok := c.Project(rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64())
			if ok {
				inside++
				if y < 0 {
					upper++
				}
			}
		}
		share := sum / (4 * math.Pi)
		if off, sd := inside/n-share, math.Sqrt(share*(1-share)/n); math.Abs(off) > 5*sd+1e-3*share {
			t.Errorf("%+v: %.4f of all directions are seen, solid angles say %.4f", e, inside/n, share)
		}
		if math.Abs(upper/inside-0.5) > 5*0.5/math.Sqrt(inside) {
			t.Errorf("%+v: %.4f of them in the upper half", e, upper/inside)
		}
	}
	// The pyramid of apex angles a and b has 4 asin(sin(a/2) sin(b/2)).
	l := Lattice{Rows: 200, Columns: 300, PitchXUm: 10, PitchYUm: 10}
	for _, f := range [][2]float64{{60, 60}, {90, 40}, {120, 100}, {1, 2}} {
		c, sum := mustCamera(t, l, Mount{}, Lens{HorizontalFOVDeg: f[0], VerticalFOVDeg: f[1]}), 0.0
		for r := range l.Rows {
			for col := range l.Columns {
				sum += c.Pixel(r, col).SolidAngle
			}
		}
		want := 4 * math.Asin(math.Sin(Radians(f[0])/2)*math.Sin(Radians(f[1])/2))
		if math.Abs(sum/want-1) > 1e-3 {
			t.Errorf("%v degrees: %v sr, want %v", f, sum, want)
		}
	}
}

func minus(a, b [3]float64) [3]float64 { return [3]float64{a[0] - b[0], a[1] - b[1], a[2] - b[2]} }

func cross(a, b [3]float64) [3]float64 {
	return [3]float64{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
