package geometry

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"
)

// TestRadii: the radii of the three projections, in focal lengths, from their definitions (Miyamoto, J. Opt. Soc. Am.
// 54
// (1964) 1060-1061; from memory); those that fisheyes are told apart by at a right angle are pi/2 and 2.
func TestRadii(t *testing.T) {
	for _, c := range []struct {
		p           Projection
		deg, radius float64
	}{
		{Rectilinear, 45, 1}, {Rectilinear, 60, math.Sqrt(3)}, {Equidistant, 90, math.Pi / 2},
		{Equidistant, 180, math.Pi}, {Stereographic, 90, 2}, {Stereographic, 120, 2 * math.Sqrt(3)},
	} {
		if got := c.p.Radius(Radians(c.deg)); math.Abs(got-c.radius) > 1e-12 {
			t.Errorf("%v at %v degrees: radius %v, want %v", c.p, c.deg, got, c.radius)
		}
	}
	for _, p := range []Projection{Rectilinear, Equidistant, Stereographic} {
		for deg := 0.0; deg < p.widest()/2; deg += 0.37 {
			r := p.Radius(Radians(deg))
			if got := Degrees(p.Angle(r)); math.Abs(got-deg) > 1e-9 {
				t.Errorf("%v: %v degrees become %v", p, deg, got)
			}
			const h = 1e-6
			if slope := (p.Angle(r+h) - p.Angle(max(r-h, 0))) / (h + min(r, h)); math.Abs(slope/p.slope(r)-1) > 1e-5 {
				t.Errorf("%v at %v degrees: slope %v, differences say %v", p, deg, p.slope(r), slope)
			}
		}
		for _, bad := range []float64{-0.1, math.NaN(), 3.2} {
			if r := p.Radius(bad); !math.IsNaN(r) {
				t.Errorf("%v shows an angle of %v at %v", p, bad, r)
			}
		}
	}
	if !math.IsNaN(Rectilinear.Radius(math.Pi/2)) || !math.IsNaN(Equidistant.Angle(3.2)) ||
		!math.IsNaN(Stereographic.Radius(math.Pi)) || !math.IsNaN(Rectilinear.Angle(-1)) {
		t.Error("what no lens can show has a radius")
	}
}

// TestWhatProjectionsKeep: a rectilinear lens keeps straight lines (great circles) straight, a stereographic one is
// conformal, and under an equidistant one equal steps outward are equal angles; all at random points of random cameras.
func TestWhatProjectionsKeep(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for _, p := range []Projection{Rectilinear, Stereographic, Equidistant} {
		for range 500 {
			e := Lens{Projection: p, HorizontalFOVDeg: 20 + rng.Float64()*130}
			e.VerticalFOVDeg = p.VerticalFOVDeg(e.HorizontalFOVDeg, square64)
			c := mustCamera(t, square64, Mount{YawDeg: rng.Float64() * 360, PitchDeg: rng.Float64() * 90,
				RollDeg: rng.Float64() * 360}, e)
			x, y := 31*within1(rng), 31*within1(rng)
			s := c.Sight(x, y)
			switch p {
			case Rectilinear:
				a, b := c.Sight(0.9*x, -0.7*y).Ray, c.Sight(-0.3*x, y).Ray
				if volume := dot(cross(s.Ray, a), b); math.Abs(line([2]float64{x, y}, [2]float64{0.9 * x, -0.7 * y},
					[2]float64{-0.3 * x, y})) > 1e-9 && volume == 0 {
					t.Fatal("three points that are not on a line look along one plane")
				}
				middle := c.Sight((x+0.9*x)/2, (y-0.7*y)/2).Ray
				if off := dot(cross(s.Ray, a), middle) / Length(cross(s.Ray, a)); math.Abs(off) > 1e-9 {
					t.Fatalf("the middle of a line on the sensor is %v off the plane of its ends", off)
				}
			case Stereographic:
				if r, d := Length(s.Right), Length(s.Down); math.Abs(r/d-1) > 1e-9 ||
					math.Abs(dot(s.Right, s.Down)) > 1e-9*r*d {
					t.Fatalf("at (%v, %v) a pitch is %v rad and %v rad, at an angle with cosine %v", x, y, r, d,
						dot(s.Right, s.Down)/(r*d))
				}
			case Equidistant:
				if half := c.Sight(x/2, y/2).Angle; math.Abs(2*half-s.Angle) > 1e-12 {
					t.Fatalf("half way to %v rad is %v rad", s.Angle, half)
				}
			}
		}
	}
}

// line is twice the area of a triangle.
func line(a, b, c [2]float64) float64 { return (b[0]-a[0])*(c[1]-a[1]) - (b[1]-a[1])*(c[0]-a[0]) }

func TestUndistortInvertsTheModel(t *testing.T) {
	const seed = 11
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 2000 {
		o := optic{k1: within1(rng)}
		most := 3.0
		if o.k1 < 0 {
			most = min(most, 0.999*o.turn())
		}
		r := rng.Float64() * most
		rd := o.distort(r)
		back, area := o.undistort(rd)
		if math.Abs(back-r) > 1e-9*(1+r) {
			t.Fatalf("k1 %v: r_d %v gives r %v, want %v", o.k1, rd, back, r)
		}
		// The ratio of the areas of thin rings, by central difference.
		const h = 1e-6
		up, _ := o.undistort(rd + h*rd)
		down, _ := o.undistort(rd - h*rd)
		ring := (up*up - down*down) / (4 * h * rd * rd)
		if r < 0.9*most && math.Abs(area/ring-1) > 1e-4 {
			t.Fatalf("k1 %v r %v: area ratio %v, rings say %v", o.k1, r, area, ring)
		}
	}
}

// A turn composed of single-axis turns about the fixed axes, by Rodrigues'
// formula, agrees with the attitude; undone it is the vector again.
func TestAttitudeAgainstRodrigues(t *testing.T) {
	rotate := func(v, axis [3]float64, deg float64) [3]float64 {
		s, c := math.Sincos(Radians(deg))
		crossed := cross(axis, v)
		var out [3]float64
		for i := range 3 {
			out[i] = v[i]*c + crossed[i]*s + axis[i]*dot(v, axis)*(1-c)
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
		m := Attitude(yaw, pitch, roll)
		x, y, z := m.Apply(v[0], v[1], v[2])
		if Length(minus([3]float64{x, y, z}, want)) > 1e-12 {
			t.Fatalf("yaw %v pitch %v roll %v: %v %v %v, want %v", yaw, pitch, roll, x, y, z, want)
		}
		x, y, z = m.Undo(x, y, z)
		if Length(minus([3]float64{x, y, z}, v)) > 1e-12 {
			t.Fatalf("yaw %v pitch %v roll %v: undone %v %v %v, want %v", yaw, pitch, roll, x, y, z, v)
		}
	}
}

// Pixels of a hexagonal lattice are as far from their neighbours in the row as
// from those in the next row (near the axis of a long lens, where radii are
// proportional to distances).
func TestHexagonalNeighboursAreEquallyFar(t *testing.T) {
	l := Lattice{Rows: 9, Columns: 9, Hexagonal: true, PitchXUm: 20}
	const field = 1.0
	c := mustCamera(t, l, Mount{}, Lens{HorizontalFOVDeg: field, VerticalFOVDeg: Rectilinear.VerticalFOVDeg(field, l)})
	apart := func(r0, c0, r1, c1 int) float64 { return Length(minus(c.Pixel(r0, c0).Ray, c.Pixel(r1, c1).Ray)) }
	want := apart(4, 4, 4, 5)
	for _, n := range [][2]int{{4, 3}, {3, 3}, {3, 4}, {5, 3}, {5, 4}} { // row 4 is even
		if got := apart(4, 4, n[0], n[1]); math.Abs(got/want-1) > 1e-3 {
			t.Errorf("even row, neighbour %v at %v, want %v", n, got, want)
		}
	}
	for _, n := range [][2]int{{2, 4}, {2, 5}, {4, 4}, {4, 5}} { // row 3 is odd
		if got := apart(3, 4, n[0], n[1]); math.Abs(got/want-1) > 1e-3 {
			t.Errorf("odd row, neighbour %v at %v, want %v", n, got, want)
		}
	}
}
