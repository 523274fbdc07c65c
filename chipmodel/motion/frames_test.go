package motion

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"
)

// seen are gratings as a chip sees them: of equal variance in each octave, as natural light has it (from memory), less
// what a lens of half a pixel's blur and square pixels take away; in steps of a converter, of which a decade of light
// is
// 563 as in the demo, with a standard deviation of 0.15 decades before the lens.
func seen(rng *rand.Rand, along bool) (out []wave) {
	const n, blur, sd, coarsest, finest = 30, 0.5, 85, 0.08, 4.0
	sinc := func(x float64) float64 {
		if x == 0 {
			return 1
		}
		return math.Sin(x/2) / (x / 2)
	}
	for range n {
		k := coarsest * math.Pow(finest/coarsest, rng.Float64())
		sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
		if along {
			sin, cos = 0, 1
		}
		w := wave{KX: k * cos, KY: k * sin, Phase: 2 * math.Pi * rng.Float64()}
		w.Amp = sd * math.Sqrt(2/float64(n)) * sinc(w.KX) * sinc(w.KY) * math.Exp(-k*k*blur*blur/2)
		out = append(out, w)
	}
	return out
}

// corrected is a pair of frames of gratings that moved: with noise, what a correction leaves of the fixed pattern, and
// rounded to codes.
func corrected(rng *rand.Rand, s Shape, ws []wave, x, y, noise float64) (first, second []float64) {
	first, second = draw(s, ws, 0, 0), draw(s, ws, x, y)
	addNoise(rng, noise, first, second)
	for i := range first {
		pattern := 0.4 * rng.NormFloat64()
		first[i], second[i] = math.Round(first[i]+pattern), math.Round(second[i]+pattern)
	}
	return first, second
}

// TestSimulatedFrames: over lattices, lights and shifts in any direction, the shifts of simulated corrected frames have
// next to no bias, and are as uncertain as is told. The seed is fixed: what is demanded of means holds of most seeds.
func TestSimulatedFrames(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 1))
	trials, shifts := peertest.Cases(20, 150), []float64{0.05, 0.5, 1.7}
	least := 0.5 // a mean of few squares is often small
	if peertest.All() {
		least = 0.7
		shifts = []float64{0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 1, 1.5, 2, 3}
	}
	for _, c := range []struct {
		Shape
		most float64 // rms error in pixels
	}{
		{Shape{Rows: 8, Columns: 8}, 0.04}, {Shape{Rows: 16, Columns: 16}, 0.02}, {Shape{Rows: 32, Columns: 32}, 0.02},
		{Shape{Rows: 4, Columns: 32}, 0.02}, {Shape{Rows: 16, Columns: 16, Hexagonal: true, OddRows: true}, 0.02},
	} {
		e := NewEstimator(c.Shape, Options{NoiseFloor: 0.29, Pattern: 0.4})
		for _, noise := range []float64{0.5, 2} { // in bright light and in dim
			for _, u := range shifts {
				trials := trials
				if !peertest.All() && c.Rows == 32 {
					trials /= 4
				}
				line := c.kind() == alongRows
				var along, all moments
				told := 0
				for range trials {
					sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
					if line {
						sin, cos = 0, math.Copysign(1, cos)
					}
					first, second := corrected(rng, c.Shape, seen(rng, line), u*cos, u*sin, noise)
					got := e.Estimate(first, second, &Hint{X: u*cos + 0.2, Y: u*sin - 0.1})
					if got.Refused != Estimated || got.XX > 0.1 || got.YY > 0.1 && !line {
						continue // it says itself that it is not sure
					}
					told++
					x, y := got.X-u*cos, got.Y-u*sin
					along.add(x*cos+y*sin, 1)
					all.add(x, got.XX)
					if !line {
						all.add(y, got.YY)
					}
				}
				part := float64(told) / float64(trials)
				t.Logf("%2d x %2d hexagonal %-5v noise %.1f shift %.2f: told %.2f, bias %+.4f, rms %.4f, z %.2f",
					c.Rows,
					c.Columns, c.Hexagonal, noise, u, part, along.bias(), all.rms(), all.rmsZ())
				if part < 0.95 && c.Rows != 8 || part < 0.7 {
					t.Errorf("%+v, noise %g, shift %g: only %.2f are told", c.Shape, noise, u, part)
				}
				if math.Abs(along.bias()) > 0.02 || all.rms() > c.most {
					t.Errorf("%+v, noise %g, shift %g: bias %.4f, rms %.4f", c.Shape, noise, u, along.bias(), all.rms())
				}
				if z := all.rmsZ(); !(z > least && z < 2) {
					t.Errorf("%+v, noise %g, shift %g: errors are %.2f times what is told", c.Shape, noise, u, z)
				}
			}
		}
	}
}

// TestFlickerIsNotMotion: light that flickers at 94 Hz with a depth of 0.2, seen at 30 frames a second, moves nothing.
func TestFlickerIsNotMotion(t *testing.T) {
	rng := rand.New(rand.NewPCG(32, 1))
	s := Shape{Rows: 16, Columns: 16}
	e := NewEstimator(s, Options{NoiseFloor: 0.29, Pattern: 0.4})
	var errs moments
	for k := range peertest.Cases(60, 1000) {
		first, second := corrected(rng, s, seen(rng, false), 0.33, 0.1, 0.5)
		light := func(frame int) float64 {
			return math.Round(563 * math.Log10(1+0.2*math.Sin(2*math.Pi*94*float64(frame)/30)))
		}
		for i := range first {
			first[i] += light(k)
			second[i] += light(k + 1)
		}
		got := e.Estimate(first, second, &Hint{})
		if got.Refused != Estimated {
			t.Fatal(got.Refused)
		}
		errs.add(got.X-0.33, got.XX)
		errs.add(got.Y-0.1, got.YY)
	}
	t.Logf("rms %.4f px", errs.rms())
	if errs.rms() > 0.02 {
		t.Errorf("under flicker shifts err by %.4f px rms", errs.rms())
	}
}
