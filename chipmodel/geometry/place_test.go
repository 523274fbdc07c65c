package geometry

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"
)

// placed is a random camera somewhere in the body.
func placed(t *testing.T, rng *rand.Rand) *Camera {
	c := randomCamera(t, rng)
	m := c.mount
	m.XM, m.YM, m.ZM = 0.1*rng.NormFloat64(), 0.1*rng.NormFloat64(), 0.1*rng.NormFloat64()
	return New(c.lattice, m, c.lens)
}

// TestWhatIsSeenOfASurface: the place where the ray of a point of the sensor meets a sphere or a pipe is found by steps
// along the ray, and is seen at that point again.
func TestWhatIsSeenOfASurface(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	met := 0
	for range 1500 {
		c := placed(t, rng)
		s := Surface{SphereM: 0.2 + rng.Float64()}
		within := func(x, y, z float64) bool { return x*x+y*y+z*z < s.SphereM*s.SphereM }
		if rng.IntN(2) == 0 {
			s = Surface{PipeM: 0.2 + rng.Float64()}
			within = func(_, y, z float64) bool { return y*y+z*z < s.PipeM*s.PipeM }
		}
		width, height := c.Lattice().Extent()
		px, py := within1(rng)*width/2*0.99, within1(rng)*height/2*0.99
		look := c.Sight(px, py)
		if look.Angle > math.Pi-0.01 {
			continue
		}
		x, y, z := c.Place()
		hit, ok := s.Hit(c, look.Ray)
		if ok != within(x, y, z) {
			t.Fatalf("%+v is seen from %v, %v, %v: %v", s, x, y, z, ok)
		}
		if !ok {
			if _, _, sees := s.Sees(c, look.Ray[0], look.Ray[1], look.Ray[2]); sees {
				t.Fatalf("%+v is seen from outside", s)
			}
			continue
		}
		low, high := 0.0, 1000.0
		if at := func(d float64) bool {
			return within(x+d*look.Ray[0], y+d*look.Ray[1], z+d*look.Ray[2])
		}; at(high) {
			continue // along the pipe
		} else {
			for range 80 {
				if middle := (low + high) / 2; at(middle) {
					low = middle
				} else {
					high = middle
				}
			}
		}
		want := [3]float64{x + low*look.Ray[0], y + low*look.Ray[1], z + low*look.Ray[2]}
		size := Length(want)
		for i := range 3 {
			if math.Abs(hit[i]-want[i]/size) > 1e-6 {
				t.Fatalf("%+v: the ray meets it in %v, steps say %v", s, hit, want)
			}
		}
		met++
		gx, gy, sees := s.Sees(c, hit[0], hit[1], hit[2])
		if !sees || math.Hypot(gx-px, gy-py) > 1e-5*(width+height) {
			t.Fatalf("%+v: seen at %v, %v (%v), want %v, %v", s, gx, gy, sees, px, py)
		}
	}
	if met < 300 {
		t.Errorf("only %d rays met a surface", met)
	}
}

// TestParallax: two lenses side by side see a place straight before them under the angle of their triangle; and any
// place under the angle that the law of cosines gives.
func TestParallax(t *testing.T) {
	left := New(square64, Mount{YM: 0.03}, Lens{HorizontalFOVDeg: 40, VerticalFOVDeg: 40})
	right := New(square64, Mount{YM: -0.03}, Lens{HorizontalFOVDeg: 40, VerticalFOVDeg: 40})
	if got, want := Parallax(left, right, 0.5, 0, 0), 2*math.Atan(0.03/0.5); math.Abs(got-want) > 1e-12 {
		t.Errorf("at half a metre %v, want %v", got, want)
	}
	if !math.IsNaN(Parallax(left, right, 0, 0.03, 0)) {
		t.Error("the place of a lens has a parallax")
	}
	if _, _, ok := left.ProjectPoint(0, 0.03, 0); ok {
		t.Error("the place of a lens is seen")
	}
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 2000 {
		a, b := placed(t, rng), placed(t, rng)
		p := [3]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
		side := func(x, y, z, u, v, w float64) float64 { return Length([3]float64{x - u, y - v, z - w}) }
		ax, ay, az := a.Place()
		bx, by, bz := b.Place()
		c, d, e := side(ax, ay, az, p[0], p[1], p[2]), side(bx, by, bz, p[0], p[1], p[2]), side(ax, ay, az, bx, by, bz)
		want := math.Acos(max(-1, min(1, (c*c+d*d-e*e)/(2*c*d))))
		if got := Parallax(a, b, p[0], p[1], p[2]); math.Abs(got-want) > 1e-6 {
			t.Fatalf("%v, the law of cosines says %v", got, want)
		}
	}
}

// TestOverlapNearAWall: two lenses that look the same way overlap far away all over their fields, and near a flat wall
// over 1 - b/(2 d tan(a/2)) of a row.
func TestOverlapNearAWall(t *testing.T) {
	const base, half = 0.06, 20.0
	lens := Lens{HorizontalFOVDeg: 2 * half, VerticalFOVDeg: 2 * half}
	a, b := New(square64, Mount{YM: base / 2}, lens), New(square64, Mount{YM: -base / 2}, lens)
	for _, d := range []float64{0.1, 0.2, 1, 1000} {
		seen := 0
		const n = 20000
		for i := range n {
			ray := a.Sight((float64(i)+0.5)/n*64-32, 0).Ray
			along := d / ray[0]
			if _, _, ok := b.ProjectPoint(ray[0]*along, base/2+ray[1]*along, ray[2]*along); ok {
				seen++
			}
		}
		want := max(0, 1-base/(2*d*math.Tan(Radians(half))))
		if got := float64(seen) / n; math.Abs(got-want) > 1e-3 {
			t.Errorf("at %v m the other sees %v of a row, want %v", d, got, want)
		}
	}
}
