package scene

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel/bustime"
)

// TestSweepIsEachPixelAtItsTime: a row in one look beside a look at each of its pixels at its own time, while the
// crawler turns and moves as quickly as ten times the demo's. Logarithmic pixels have a noise of a hundredth of the
// light (1 mV at 0.1 V to a factor of e); the two differ by less than a fiftieth of that.
func TestSweepIsEachPixelAtItsTime(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	still := mustPanorama(t, DemoPanorama(), PanoramaOptions{LuxLow: 1, LuxHigh: 1000})
	worst := 0.0
	for range 100 {
		m := Motion{YawRateDegPerS: 100 * r.NormFloat64(), RollRateDegPerS: 50 * r.NormFloat64(),
			ForwardMPerS: []float64{0, 1}[r.IntN(2)], PipeRadiusM: 0.3, TravelM: 1}
		s := moving(still, m)
		l := Lattice{Rows: 1 + r.IntN(6), Columns: 20 + r.IntN(50), PitchXUm: 20,
			PitchYUm: []float64{20, 30}[r.IntN(2)]}
		v := mustView(t, l, Optics{YawDeg: 360 * r.Float64(), PitchDeg: 180*r.Float64() - 90,
			HorizontalFOVDeg: 20 + 80*r.Float64(), VerticalFOVDeg: 20 + 30*r.Float64(), Vignetting: 0.3})
		sweep := SweepOf(s, v)
		first, step := r.IntN(4), 1+r.IntN(3)
		n := (l.Columns - first) / step
		from, interval := bustime.Time(r.Int64N(1e11)), time.Duration(5000)
		got, want := make([]float64, l.Columns), make([]float64, l.Columns)
		row := r.IntN(l.Rows)
		sweep(got, row, Sweep{first, first + (n-1)*step, from, from.Add(time.Duration(n-1) * interval)})
		for i := range n {
			c := first + i*step
			s.Row(want, v, row, from.Add(time.Duration(i)*interval))
			worst = max(worst, math.Abs(got[c]/want[c]-1))
		}
	}
	t.Logf("worst %.2g", worst)
	if worst > 2e-4 {
		t.Errorf("the light differs by %g of itself", worst)
	}
}

// TestOnlyWhatMovesIsSwept: others are looked at as ever.
func TestOnlyWhatMovesIsSwept(t *testing.T) {
	still := mustPanorama(t, DemoPanorama(), PanoramaOptions{LuxHigh: 1000})
	turning := moving(still, Motion{YawRateDegPerS: 30})
	v := mustView(t, square64, Optics{HorizontalFOVDeg: 50, VerticalFOVDeg: 50})
	for _, c := range []struct {
		s     Scene
		swept bool
	}{{still, false}, {turning, true}, {Uniform(3), false}, {Remembering(turning), true}} {
		if got := SweepOf(c.s, v) != nil; got != c.swept {
			t.Errorf("%s: swept %v, want %v", c.s.Name(), got, c.swept)
		}
	}
}
