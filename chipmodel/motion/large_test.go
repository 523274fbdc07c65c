package motion

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestLargeFramesAreSearched: a picture that moved far is found in frames of which a search compares only some pixels,
// also stripes as far apart as those, over something by which they are told apart.
func TestLargeFramesAreSearched(t *testing.T) {
	s := Shape{Rows: 256, Columns: 256}
	if s.step() != 16 {
		t.Fatalf("every %d. pixel is compared", s.step())
	}
	rng := rand.New(rand.NewPCG(11, 11))
	k := 2 * math.Pi / float64(s.step())
	for _, c := range []struct {
		waves []wave
		x, y  float64
	}{
		{randomWaves(rng, 12, 0.7), 61.3, -90.6},
		{[]wave{{KX: k, Amp: 1}, {KY: k, Amp: 1, Phase: 1}, {KX: 0.02, KY: 0.03, Amp: 3}}, 6.2, -5.1},
	} {
		e := NewEstimator(s, Options{})
		first, second := draw(s, c.waves, 0, 0), draw(s, c.waves, c.x, c.y)
		addNoise(rng, 0.1, first, second)
		got := e.Estimate(first, second, nil)
		if got.Refused != Estimated || math.Abs(got.X-c.x) > 0.02 || math.Abs(got.Y-c.y) > 0.02 {
			t.Errorf("%v: shift %.3f, %.3f, want %g, %g", got.Refused, got.X, got.Y, c.x, c.y)
		}
	}
}

// TestSearchesEnd: of frames of any size a search works out no more differences of pixels than take some seconds, and
// compares enough of them; of small ones it leaves out none.
func TestSearchesEnd(t *testing.T) {
	for _, side := range []int{1, 24, 128, 129, 256, 1000, 1024, 2048, MaxSide} {
		s := Shape{Rows: side, Columns: side}
		n := s.Rows * s.Columns
		compared := n / s.step()
		differences := int64(n) * int64(compared)
		switch {
		case side <= 128 && s.step() != 1:
			t.Errorf("%d x %d: every %d. pixel", side, side, s.step())
		case compared < min(n, leastCompared):
			t.Errorf("%d x %d: only %d pixels", side, side, compared)
		case side <= 1024 && differences > 2*mostDifferences || differences > 16*mostDifferences:
			t.Errorf("%d x %d: %d differences", side, side, differences)
		}
	}
}
