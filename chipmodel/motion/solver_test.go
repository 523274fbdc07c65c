package motion

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"
)

// course is how a body of a test turns and moves, and what is around it.
type course struct {
	turn, way Vector // radians and metres a second
	noise     float64
	reach     float64 // how far lenses are from the middle of the body, in metres
}

func randomVector(rng *rand.Rand, length float64) Vector {
	for {
		v := Vector{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
		if l := math.Sqrt(dot(v, v)); l > 0.1 {
			return scaled(v, length/l)
		}
	}
}

// flowOf is what pixels around a direction tell, of which each sees a gradient in any direction.
func (c *course) flowOf(rng *rand.Rand, axis, place Vector, distance float64, pixels int) (f Flow) {
	f.Axis, f.Place, f.Pixels, f.Free = axis, place, float64(pixels), float64(pixels)
	lens := cross(c.turn, place)
	for k := range lens {
		lens[k] += c.way[k]
	}
	for range pixels {
		ray := randomVector(rng, 0.25)
		for k := range ray {
			ray[k] += axis[k]
		}
		ray = scaled(ray, 1/math.Sqrt(dot(ray, ray)))
		x, y := across(ray)
		gx, gy := rng.NormFloat64(), rng.NormFloat64()
		var q, a Vector
		for k := range 3 {
			q[k] = gx*x[k] + gy*y[k]
		}
		a = cross(ray, q)
		row := [unknowns]float64{a[0], a[1], a[2], q[0], q[1], q[2]}
		t := dot(a, c.turn) + dot(q, lens)/distance + c.noise*rng.NormFloat64()
		w := 1 / (c.noise * c.noise)
		f.Square += w * t * t
		for i := range row {
			f.Towards[i] += w * row[i] * t
			for j := range row {
				f.Information[i][j] += w * row[i] * row[j]
			}
		}
	}
	return f
}

// parts are chips that look everywhere, with blocks at distances of their own.
func (c *course) parts(rng *rand.Rand, chips int) (out []Part) {
	for range chips {
		axis := randomVector(rng, 1)
		place := scaled(axis, c.reach)
		flows := &Flows{}
		flows.Whole = Flow{Axis: axis, Place: place}
		distance := 0.2 + rng.Float64()
		for range 1 + rng.IntN(4) {
			f := c.flowOf(rng, axis, place, distance*(0.8+0.4*rng.Float64()), 20)
			flows.Blocks[flows.Used] = f
			flows.Used++
			w := &flows.Whole
			w.Pixels += f.Pixels
			w.Free += f.Free
			w.Square += f.Square
			for i := range unknowns {
				w.Towards[i] += f.Towards[i]
				for j := range unknowns {
					w.Information[i][j] += f.Information[i][j]
				}
			}
		}
		out = append(out, Part{Flows: flows, Seconds: 1})
	}
	return out
}

// TestSolverFindsTheLeast: of arrays of any size that turn and move in any way, beside any noise, the solver leaves no
// more over than a search of all headings by steps does; where that finds the same place, it has the same answer.
func TestSolverFindsTheLeast(t *testing.T) {
	// Of the second seed, four chips have a valley that a coarse grid beside the way of the last time does not see; of
	// the third, the way downhill from the last time takes more than forty steps.
	for _, seed := range []uint64{peertest.Seed(t), 16046668802698683012, 10951870691011939991} {
		findsTheLeast(t, seed)
	}
}

func findsTheLeast(t *testing.T, seed uint64) {
	t.Helper()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 21))
	var s Solver
	for range peertest.Cases(40, 4000) {
		c := course{turn: randomVector(rng, 0.5*rng.Float64()), way: randomVector(rng, 0.02+0.3*rng.Float64()),
			noise: []float64{1e-4, 0.01, 0.05, 0.3}[rng.IntN(4)]}
		s.parts, s.left = c.parts(rng, 4+rng.IntN(20)), nil
		s.left = make([]bool, len(s.parts))
		if rng.IntN(2) == 0 {
			s.last = way{} // from the start; otherwise from where another array went
		}
		s.prepare()
		p := plain{s.at.list}
		still := s.at.under(&way{}, &Vector{})
		near(t, "at rest", still.left, p.under(Vector{}).left, 1e-9*math.Abs(still.left))
		got := s.search(&still)
		s.last = got.way
		h, want := p.search()
		if got.fit.told < 3 || want.told < 3 {
			t.Fatalf("told in %d and %d directions", got.fit.told, want.told)
		}
		scale := s.at.square
		more := 1e-9 * scale
		if c.noise > 0.02 { // noise decides between several places, of which either search finds one
			more = 0.05 * scale
		}
		if got.fit.left > want.left+more {
			t.Fatalf("%+v with %d chips: %.9g is left, by steps %.9g, of %g", c, len(s.parts), got.fit.left, want.left,
				scale)
		}
		apart := math.Abs(got.fit.left - want.left)
		if apart > 1e-6*scale+1e-3 {
			continue // another place
		}
		// So it is where more is left over between the two: noise seldom leaves as much in two valleys.
		var between Vector
		for k := range 3 {
			between[k] = got.way.v[k] + h[k]
		}
		between = scaled(between, 1/math.Sqrt(dot(between, between)))
		if c.noise > 0.02 && p.under(between).left > max(got.fit.left, want.left)+1e-3 {
			continue
		}
		// By as much as the steps stopped short of the least, and no more.
		tolerance := c.noise * (3e-3 + 3*math.Sqrt(apart))
		near(t, "heading", dot(got.way.v, h), 1, 1e-3)
		for k := range 3 {
			near(t, "rate", got.turn[k], want.rate[k], tolerance)
		}
	}
}

// TestSlopesAreThoseOfWhatIsLeft: the derivatives are those by differences, with lenses apart as well.
func TestSlopesAreThoseOfWhatIsLeft(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 22))
	for range peertest.Cases(10, 500) {
		c := course{turn: randomVector(rng, 0.3), way: randomVector(rng, 0.2), noise: 0.3, reach: 0.1}
		s := Solver{parts: c.parts(rng, 6), left: make([]bool, 6)}
		s.prepare()
		turn, w := randomVector(rng, 0.3), way{v: randomVector(rng, 0.8), inverse: 2 * rng.Float64()}
		var here slope
		s.at.slopeAt(&turn, &w, &here)
		const step = 1e-5
		for i := range bodySize {
			var at [2]slope
			for k, by := range [2]float64{step, -step} {
				t, v := turn, w
				switch {
				case i < bodyWay:
					t[i] += by
				case i < bodyInverse:
					v.v[i-bodyWay] += by
				default:
					v.inverse += by
				}
				s.at.slopeAt(&t, &v, &at[k])
			}
			scale := math.Sqrt(here.hess[i][i]*here.hess[i][i]) + 1
			near(t, "first derivative", here.first[i], (at[0].half-at[1].half)/(2*step), 1e-5*scale)
			for j := range bodySize {
				near(t, "second derivative", here.hess[i][j], (at[0].first[j]-at[1].first[j])/(2*step),
					1e-4*(scale+math.Abs(here.hess[j][j])))
			}
		}
	}
}

// TestPlacesOfLensesAreTakenIntoAccount: the turn moves a lens that is not in the middle of the body, beside its way.
// With that known, turn, heading and speed are right; taken to be in the middle, they are not.
func TestPlacesOfLensesAreTakenIntoAccount(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 23))
	var rates, speeds, without moments
	cases := peertest.Cases(20, 1000)
	for range cases {
		c := course{turn: randomVector(rng, 0.3+0.3*rng.Float64()), way: randomVector(rng, 0.05+0.1*rng.Float64()),
			noise: 1e-3, reach: 0.1}
		parts := c.parts(rng, 19)
		var s Solver
		b := s.Solve(parts)
		if !b.Told || b.RotationOnly || b.Speed == 0 {
			t.Fatalf("%+v: told %v, rotation only %v, speed %g", c, b.Told, b.RotationOnly, b.Speed)
		}
		speed := math.Sqrt(dot(c.way, c.way))
		speeds.add(b.Speed-speed, b.SpeedVariance)
		if angle := math.Acos(min(1, dot(b.Heading, c.way)/speed)); angle > 0.03 {
			t.Errorf("%+v: heading %.4f is %.3f rad off", c, b.Heading, angle)
		}
		for k := range 3 {
			rates.add(b.Rate[k]-c.turn[k], b.RateCovariance[k][k])
		}
		for _, p := range parts {
			p.Flows.Whole.Place = Vector{}
			for k := range p.Flows.Blocks {
				p.Flows.Blocks[k].Place = Vector{}
			}
		}
		b = (&Solver{}).Solve(parts)
		for k := range 3 {
			without.add(b.Rate[k]-c.turn[k], 1)
		}
	}
	t.Logf("rates %.5f rad/s rms, %.2f times what is told; speed %.4f m/s, %.2f times; places unknown %.5f rad/s",
		rates.rms(), rates.rmsZ(), speeds.rms(), speeds.rmsZ(), without.rms())
	if rates.rms() > 0.003 || rates.rmsZ() > 1.5 || speeds.rmsZ() > 1.7 || without.rms() < 3*rates.rms() {
		t.Error("turn, speed or what they are without places are not as they should be")
	}
}

// TestTurnInPlaceIsToldWithLensesApart: a body that only turns, near things, does not seem to move.
func TestTurnInPlaceIsToldWithLensesApart(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 24))
	c := course{turn: Vector{0.1, 0.05, 0.4}, noise: 1e-3, reach: 0.1}
	var s Solver
	for range 5 {
		b := s.Solve(c.parts(rng, 19))
		if !b.Told || b.RotationOnly {
			t.Errorf("told %v, rotation only %v", b.Told, b.RotationOnly)
		}
		for k := range 3 {
			near(t, "rate", b.Rate[k], c.turn[k], 0.003)
		}
	}
}

func TestSolverAllocatesNothing(t *testing.T) {
	c := course{turn: Vector{0.1, 0, 0.2}, way: Vector{0.1, 0.02, 0}, noise: 0.01, reach: 0.05}
	parts := c.parts(rand.New(rand.NewPCG(1, 25)), 64)
	var s Solver
	s.Solve(parts)
	if n := testing.AllocsPerRun(5, func() { s.Solve(parts) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}
