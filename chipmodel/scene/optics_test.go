package scene

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

var square64 = Lattice{Rows: 64, Columns: 64, PitchXUm: 10, PitchYUm: 10}

// paramsOf lists the parameters that an error complains about, sorted.
func paramsOf(err error) []string {
	var out []string
	var walk func(error)
	walk = func(err error) {
		if p, ok := err.(*ParamError); ok {
			out = append(out, p.Param)
			return
		}
		switch e := err.(type) {
		case interface{ Unwrap() []error }:
			for _, inner := range e.Unwrap() {
				walk(inner)
			}
		case interface{ Unwrap() error }:
			walk(e.Unwrap())
		}
	}
	walk(err)
	slices.Sort(out)
	return out
}

func wantParams(t *testing.T, err error, want ...string) {
	t.Helper()
	slices.Sort(want)
	if got := paramsOf(err); !slices.Equal(got, want) {
		t.Errorf("errors in %v, want %v; error: %v", got, want, err)
	}
}

func TestNewViewTellsEveryError(t *testing.T) {
	nan := math.NaN()
	_, err := NewView(Lattice{Rows: 0, Columns: 9000, PitchXUm: -1},
		Optics{YawDeg: nan, PitchDeg: math.Inf(1), RollDeg: nan,
			HorizontalFOVDeg: 180, VerticalFOVDeg: nan, DistortionK1: nan, Vignetting: 1.1, BlurPixels: -1})
	wantParams(t, err, "Rows", "Columns", "PitchXUm", "PitchYUm", "YawDeg", "PitchDeg", "RollDeg",
		"HorizontalFOVDeg", "VerticalFOVDeg", "DistortionK1", "Vignetting", "BlurPixels")
	var p *ParamError
	if !errors.As(err, &p) {
		t.Error("no ParamError")
	}

	plain := Optics{HorizontalFOVDeg: 60, VerticalFOVDeg: 60}
	_, err = NewView(Lattice{Rows: 4, Columns: 4, Hexagonal: true, PitchXUm: 10, PitchYUm: 10}, plain)
	wantParams(t, err, "PitchYUm")
	for _, y := range []float64{0, 8.66, 8.6603} {
		if _, err = NewView(Lattice{Rows: 4, Columns: 4, Hexagonal: true, PitchXUm: 10, PitchYUm: y},
			plain); err != nil {
			t.Errorf("hexagonal row pitch %v: %v", y, err)
		}
	}
	folded := plain
	folded.DistortionK1 = -0.9 // turns back at tangent 0.609; the corner is at 0.816
	_, err = NewView(square64, folded)
	wantParams(t, err, "DistortionK1")
}

// The field of view is measured between the edges of the array, half a cell
// beyond the middle of the outermost cells, through a lens of any distortion.
func TestFieldOfViewReachesTheEdges(t *testing.T) {
	for _, k1 := range []float64{0, -0.12, 0.3} {
		for _, hex := range []bool{false, true} {
			l := Lattice{Rows: 501, Columns: 501, PitchXUm: 10, PitchYUm: 7, Hexagonal: hex}
			if hex {
				l.PitchYUm = 0
			}
			v := mustView(t, l, Optics{HorizontalFOVDeg: 80, VerticalFOVDeg: 50, DistortionK1: k1})
			x, y, _ := v.Ray(250, 0)
			if got := degrees(math.Atan2(y, x)); math.Abs(got-40) > 0.15 {
				t.Errorf("k1 %v hex %v: left edge at %v degrees", k1, hex, got)
			}
			x, _, z := v.Ray(500, 250)
			if got := degrees(math.Atan2(z, x)); math.Abs(got+25) > 0.15 {
				t.Errorf("k1 %v hex %v: bottom edge at %v degrees", k1, hex, got)
			}
		}
	}
}

func TestVerticalFOVBelongsToSquarePixels(t *testing.T) {
	l := Lattice{Rows: 48, Columns: 64, PitchXUm: 10, PitchYUm: 10}
	// tan 45 * 48/64 = 3/4, and atan(3/4) = 36.8699 degrees.
	if got := l.VerticalFOVDeg(90); math.Abs(got-2*36.86989764584402) > 1e-9 {
		t.Errorf("vertical field %v", got)
	}
}

// Pixels of a hexagonal lattice are as far from their neighbours in the row as
// from those in the next row (near the axis of a long lens, where tangents are
// proportional to distances).
func TestHexagonalNeighboursAreEquallyFar(t *testing.T) {
	l := Lattice{Rows: 9, Columns: 9, Hexagonal: true, PitchXUm: 20}
	const field = 1.0
	v := mustView(t, l, Optics{HorizontalFOVDeg: field, VerticalFOVDeg: l.VerticalFOVDeg(field)})
	angle := func(r0, c0, r1, c1 int) float64 {
		_, ay, az := v.Ray(r0, c0)
		_, by, bz := v.Ray(r1, c1)
		return math.Hypot(ay-by, az-bz)
	}
	want := angle(4, 4, 4, 5)
	for _, n := range [][2]int{{4, 3}, {3, 3}, {3, 4}, {5, 3}, {5, 4}} { // row 4 is even
		if got := angle(4, 4, n[0], n[1]); math.Abs(got/want-1) > 1e-3 {
			t.Errorf("even row, neighbour %v at %v, want %v", n, got, want)
		}
	}
	for _, n := range [][2]int{{2, 4}, {2, 5}, {4, 4}, {4, 5}} { // row 3 is odd
		if got := angle(3, 4, n[0], n[1]); math.Abs(got/want-1) > 1e-3 {
			t.Errorf("odd row, neighbour %v at %v, want %v", n, got, want)
		}
	}
}

// The solid angle of a rectangular pyramid with apex angles a and b is
// 4 asin(sin(a/2) sin(b/2)); the cells of a square lattice tile it.
func TestSolidAnglesTileTheField(t *testing.T) {
	for _, c := range []struct{ a, b float64 }{{60, 60}, {90, 40}, {120, 100}, {1, 2}} {
		l := Lattice{Rows: 200, Columns: 300, PitchXUm: 10, PitchYUm: 10}
		v := mustView(t, l, Optics{HorizontalFOVDeg: c.a, VerticalFOVDeg: c.b, BlurPixels: 2})
		var sum float64
		for r := range l.Rows {
			for col := range l.Columns {
				sum += v.SolidAngle(r, col)
			}
		}
		want := 4 * math.Asin(math.Sin(radians(c.a)/2)*math.Sin(radians(c.b)/2))
		if math.Abs(sum/want-1) > 1e-3 {
			t.Errorf("%v by %v degrees: %v sr, want %v", c.a, c.b, sum, want)
		}
	}
}

// The solid angle under distortion equals that of the quadrilateral of rays
// through the cell's corners, taken from a lattice of three times the density.
func TestSolidAngleUnderDistortion(t *testing.T) {
	l := Lattice{Rows: 41, Columns: 41, PitchXUm: 10, PitchYUm: 10}
	fine := Lattice{Rows: 123, Columns: 123, PitchXUm: 10, PitchYUm: 10}
	for _, k1 := range []float64{-0.15, 0.25} {
		o := Optics{HorizontalFOVDeg: 70, VerticalFOVDeg: 70, DistortionK1: k1}
		v, w := mustView(t, l, o), mustView(t, fine, o)
		for _, p := range [][2]int{{20, 20}, {0, 0}, {20, 0}, {3, 30}} {
			// The centres of the 9 fine cells inside: the outer ones span 2/3 of the cell.
			corner := func(dr, dc int) [3]float64 {
				x, y, z := w.Ray(3*p[0]+dr, 3*p[1]+dc)
				return [3]float64{x, y, z}
			}
			want := (triangleArea(corner(0, 0), corner(0, 2), corner(2, 2)) + triangleArea(corner(0, 0), corner(2, 2),
				corner(2, 0))) * 9 / 4
			if got := v.SolidAngle(p[0], p[1]); math.Abs(got/want-1) > 0.01 {
				t.Errorf("k1 %v pixel %v: %v sr, corners say %v", k1, p, got, want)
			}
		}
	}
}

// triangleArea is the area of a small triangle by its edge vectors.
func triangleArea(a, b, c [3]float64) float64 {
	u := [3]float64{b[0] - a[0], b[1] - a[1], b[2] - a[2]}
	v := [3]float64{c[0] - a[0], c[1] - a[1], c[2] - a[2]}
	return math.Sqrt(squared(u[1]*v[2]-u[2]*v[1])+squared(u[2]*v[0]-u[0]*v[2])+squared(u[0]*v[1]-u[1]*v[0])) / 2
}

func TestUndistortInvertsTheModel(t *testing.T) {
	const seed = 11
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 2000 {
		k1 := rng.Float64()*2 - 1
		most := 3.0
		if k1 < 0 {
			most = min(most, 0.999/math.Sqrt(-3*k1))
		}
		ru := rng.Float64() * most
		rd := ru * (1 + k1*ru*ru)
		scale, area := lens{k1: k1}.undistort(rd)
		if math.Abs(scale*rd-ru) > 1e-9*(1+ru) {
			t.Fatalf("k1 %v: r_d %v gives r_u %v, want %v", k1, rd, scale*rd, ru)
		}
		// The ratio of the areas of thin rings, by central difference.
		h := 1e-6
		up, _ := lens{k1: k1}.undistort(rd + h*rd)
		down, _ := lens{k1: k1}.undistort(rd - h*rd)
		ring := (squared(up*(rd+h*rd)) - squared(down*(rd-h*rd))) / (4 * h * rd * rd)
		if ru < 0.9*most && math.Abs(area/ring-1) > 1e-4 {
			t.Fatalf("k1 %v r_u %v: area ratio %v, rings say %v", k1, ru, area, ring)
		}
	}
}

func TestVignettingIsCosineToTheFourth(t *testing.T) {
	v := mustView(t, Lattice{Rows: 1, Columns: 3, PitchXUm: 1, PitchYUm: 1},
		Optics{HorizontalFOVDeg: 2 * degrees(math.Atan(1.5)), VerticalFOVDeg: 10, Vignetting: 0.5})
	// The outer pixels look 45 degrees aside: cos^4 = 1/4, half strength 5/8.
	for c, want := range []float64{0.625, 1, 0.625} {
		if got := v.Gain(0, c); math.Abs(got-want) > 1e-6 {
			t.Errorf("column %d: gain %v, want %v", c, got, want)
		}
	}
}

// A turn composed of single-axis turns about the fixed axes, by Rodrigues'
// formula, agrees with the attitude matrix.
func TestAttitudeAgainstRodrigues(t *testing.T) {
	rotate := func(v, axis [3]float64, deg float64) [3]float64 {
		s, c := math.Sincos(radians(deg))
		dot := v[0]*axis[0] + v[1]*axis[1] + v[2]*axis[2]
		cross := [3]float64{axis[1]*v[2] - axis[2]*v[1], axis[2]*v[0] - axis[0]*v[2], axis[0]*v[1] - axis[1]*v[0]}
		var out [3]float64
		for i := range 3 {
			out[i] = v[i]*c + cross[i]*s + axis[i]*dot*(1-c)
		}
		return out
	}
	const seed = 3
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 200 {
		yaw, pitch, roll := rng.Float64()*800-400, rng.Float64()*800-400, rng.Float64()*800-400
		v := [3]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
		want := rotate(rotate(rotate(v, [3]float64{1, 0, 0}, roll), [3]float64{0, 1, 0}, -pitch), [3]float64{0, 0, 1},
			yaw)
		x, y, z := attitude(yaw, pitch, roll).apply(v[0], v[1], v[2])
		if math.Hypot(math.Hypot(x-want[0], y-want[1]), z-want[2]) > 1e-12 {
			t.Fatalf("yaw %v pitch %v roll %v: %v %v %v, want %v", yaw, pitch, roll, x, y, z, want)
		}
	}
}
