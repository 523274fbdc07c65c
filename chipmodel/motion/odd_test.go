package motion_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/motion"
	"facetd.example/chipmodel/scene"
)

// tried is what the demo told of a turn at 12 degrees a second under pictures that are not as they should be.
type tried struct {
	told, pairs, leftOut int
	squares, z           float64
}

func (r *tried) rms() float64 { return math.Sqrt(r.squares / max(1, float64(r.told))) }

// drawn keeps the frames of eyes: to draw them takes longer than all that is done with them, and most are wanted often.
type drawn struct {
	scenes map[string]scene.Scene
	frames map[drawnKey][]float64
}

type drawnKey struct {
	spec        string
	eye, number int
}

const oddPeriod = bustime.Time(66_666_667)

// frame is a copy of the frame of an eye.
func (d *drawn) frame(t *testing.T, key drawnKey, e *eye) []float64 {
	t.Helper()
	if d.scenes[key.spec] == nil {
		s, err := scene.Parse(key.spec, nil)
		if err != nil {
			t.Fatal(err)
		}
		d.scenes[key.spec] = s
	}
	if d.frames[key] == nil {
		rng := rand.New(rand.NewPCG(uint64(3+key.eye), uint64(5+key.number)))
		d.frames[key] = e.frame(d.scenes[key.spec], bustime.Time(key.number)*oddPeriod, rng)
	}
	return slices.Clone(d.frames[key])
}

// try has the demo turn, and odd change what an eye makes of the light in a frame; the frames of some eyes are those of
// another scene.
func try(t *testing.T, all *drawn, spec, other string, elsewhere int, odd func(codes []float64)) (r tried) {
	t.Helper()
	var eyes []*eye
	for _, c := range camerasOf(t, 0) {
		eyes = append(eyes, newEye(c))
	}
	var solver motion.Solver
	for k := range peertest.Cases(4, 10) {
		var parts []motion.Part
		for i, e := range eyes {
			key := drawnKey{spec, i, k}
			if i < elsewhere {
				key.spec = other
			}
			f := all.frame(t, key, e)
			odd(f)
			if e.last != nil {
				got := e.est.Estimate(e.last, f, e.hint)
				e.est.Flow(e.rays, &got, &e.flows)
				if e.hint = nil; got.Refused == motion.Estimated {
					e.hint = &motion.Hint{X: got.X, Y: got.Y}
				}
				parts = append(parts, motion.Part{Flows: &e.flows, Seconds: float64(oddPeriod) * 1e-9})
			}
			e.last = f
		}
		if k == 0 {
			continue
		}
		b := solver.Solve(parts)
		r.pairs++
		if !b.Told {
			continue
		}
		r.told++
		for _, c := range b.Chips[:elsewhere] {
			if c.LeftOut {
				r.leftOut++
			}
		}
		for axis, want := range [3]float64{0, 0, 12 * math.Pi / 180} {
			d := b.Rate[axis] - want
			r.squares += d * d
			r.z += d * d / b.RateCovariance[axis][axis]
		}
	}
	return r
}

// TestOddPictures: what was tried of pictures that are not as a correction leaves them, with what came of it: things
// that move by themselves in front of some chips, clipped pixels, and pixels whose codes follow the light itself and
// not its logarithm.
func TestOddPictures(t *testing.T) {
	const turning = "demo:low=1,high=800,yaw_rate=12"
	const ahead = ",forward_rate=0.1"
	plain, all := func([]float64) {}, &drawn{map[string]scene.Scene{}, map[drawnKey][]float64{}}
	for _, c := range []struct {
		name, way, other string
		elsewhere        int
		odd              func([]float64)
		rms              float64 // rad/s, over all three axes
	}{
		{"as it should be", "", turning, 0, plain, 0.002},
		{"two chips see something else move", "", "demo:low=1,high=800,yaw_rate=-20", 2, plain, 0.002},
		{"on a way, a chip sees things that would be behind it", ahead,
			"demo:low=1,high=800,yaw_rate=40" + ahead, 1, plain, 0.01},
		{"the upper quarter of all codes is clipped", "", turning, 0, func(codes []float64) {
			for i, v := range codes {
				if v > 1250 { // of up to 1,634
					codes[i] = math.NaN()
				}
			}
		}, 0.002},
		{"linear pixels", "", turning, 0, func(codes []float64) {
			for i, v := range codes {
				codes[i] = math.Round(4000. / 800 * math.Pow(10, v/563))
			}
		}, 0.002},
	} {
		r := try(t, all, turning+c.way, c.other, c.elsewhere, c.odd)
		z := math.Sqrt(r.z / 3 / max(1, float64(r.told)))
		t.Logf("%s: %d of %d pairs told, rate within %.4f rad/s rms, %.2f standard deviations; left out %d times",
			c.name, r.told, r.pairs, r.rms(), z, r.leftOut)
		if r.leftOut != c.elsewhere*r.pairs {
			t.Errorf("%s: left out %d times in %d pairs", c.name, r.leftOut, r.pairs)
		}
		if r.told != r.pairs || r.rms() > c.rms || !(z < 2) {
			t.Errorf("%s: %d of %d pairs told, rate within %.4f rad/s rms, %.2f standard deviations", c.name, r.told,
				r.pairs, r.rms(), z)
		}
	}
}

// TestOneDirectionIsToldAlone: of stripes the shift across them is told, and that nothing is known along them.
func TestOneDirectionIsToldAlone(t *testing.T) {
	s := motion.Shape{Rows: 16, Columns: 16}
	e := motion.NewEstimator(s, motion.Options{NoiseFloor: 0.29})
	rng := rand.New(rand.NewPCG(1, 7))
	frame := func(shift float64) []float64 {
		out := make([]float64, s.Rows*s.Columns)
		for i := range out {
			out[i] = math.Round(2000 + 100*math.Cos(0.7*(float64(i%s.Columns)-shift)) + 0.5*rng.NormFloat64())
		}
		return out
	}
	var squares float64
	const tries = 50
	for range tries {
		got := e.Estimate(frame(0), frame(0.6), nil)
		if got.Refused != motion.Estimated || got.YY < 100 || math.Abs(got.Y) > 0.01 || got.XX > 0.01 {
			t.Fatalf("stripes: %+v", got)
		}
		squares += (got.X - 0.6) * (got.X - 0.6)
	}
	rms := math.Sqrt(squares / tries)
	t.Logf("across stripes: %.4f pixels rms", rms)
	if rms > 0.01 {
		t.Errorf("across stripes: %.4f pixels rms", rms)
	}
}
