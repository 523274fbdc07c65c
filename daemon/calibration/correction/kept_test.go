package correction

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"
)

// keptFrames are frames of uniform light whose noise is kept by r from one to the next.
func keptFrames(t *testing.T, rng *rand.Rand, r float64, frames int) *Accumulator {
	t.Helper()
	shape := Shape{Rows: 40, Columns: 40}
	a, err := NewAccumulator(shape, Scale{VoltsPerCode: 1e-3, HighestCode: 4095})
	if err != nil {
		t.Fatal(err)
	}
	noise := make([]float64, shape.Pixels())
	for i := range noise {
		noise[i] = rng.NormFloat64()
	}
	codes := make([]uint16, len(noise))
	for range frames {
		for i := range codes {
			codes[i] = uint16(math.Round(2000 + 6*noise[i]))
			noise[i] = r*noise[i] + math.Sqrt(1-r*r)*rng.NormFloat64()
		}
		if err := a.Add(codes); err != nil {
			t.Fatal(err)
		}
	}
	return a
}

// TestKeptNoise: the correlation of the noise is found from frames, and that of new noise is 0.
func TestKeptNoise(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	for _, r := range []float64{0, 0.2, 0.6, 0.9} {
		for _, frames := range []int{16, 64} {
			if got := keptFrames(t, rng, r, frames).Kept(); math.Abs(got-r) > 0.05 {
				t.Errorf("%d frames: kept by %.3f, want %g", frames, got, r)
			}
		}
	}
}

// TestKeptNoiseIsNoDefect: pixels whose own noise lasts for many frames, as in dim light, show variances that differ
// much from one pixel to the next. None is marked as noisy for that.
func TestKeptNoiseIsNoDefect(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 2))
	for range 6 {
		for _, r := range []float64{0.7, 0.95, 0.995} {
			levels := []Level{{Lux: 0.1, Frames: keptFrames(t, rng, r, 16)}}
			m, err := Fit(Offset, levels, Options{FalseRate: 1e-8})
			if err != nil {
				t.Fatal(err)
			}
			if len(m.Defects) > 0 {
				t.Errorf("noise kept by %g: %d pixels are marked, the first %+v", r, len(m.Defects), m.Defects[0])
			}
		}
	}
}
