package correction

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"facetd.example/api/peertest"
)

// TestUneven: light that falls off to the corners or to one side, and a scene in place of uniform illumination, is told
// from what pixels have drifted by themselves, for every method of correction; so is a drift of smoothed pixels, which
// are alike next to each other.
func TestUneven(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	shape, scale := Shape{Rows: 36, Columns: 44}, Scale{VoltsPerCode: 1e-3, HighestCode: 4095}
	n := shape.Pixels()
	a, b, c := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		a[i], b[i], c[i] = 1500+12*rng.NormFloat64(), 220*(1+0.01*rng.NormFloat64()),
			0.05*math.Exp(0.1*rng.NormFloat64())
	}
	own := func(size float64) []float64 {
		out := make([]float64, n)
		for i := range out {
			out[i] = size * rng.NormFloat64()
		}
		return out
	}
	smooth := func(v []float64) []float64 { // squares of three by three
		out := make([]float64, n)
		for i := range out {
			for dr := range 3 {
				for dc := range 3 {
					r, column := (i/shape.Columns+dr)%shape.Rows, (i%shape.Columns+dc)%shape.Columns
					out[i] += v[r*shape.Columns+column] / 3
				}
			}
		}
		return out
	}
	level := func(light func(x, y float64) float64, drift []float64) Level {
		return Level{30, simulated(t, shape, scale, 12, func(i int) float64 {
			x := 2*float64(i%shape.Columns)/float64(shape.Columns) - 1
			y := 2*float64(i/shape.Columns)/float64(shape.Rows) - 1
			return a[i] + b[i]*math.Log(c[i]+30*light(x, y)) + drift[i] + 1.5*rng.NormFloat64()
		})}
	}
	even := func(_, _ float64) float64 { return 1 }
	made := []Level{level(even, own(0))}
	for _, lux := range []float64{0, 0.1, 1, 100, 1000} {
		l := Level{lux, simulated(t, shape, scale, 12, func(i int) float64 {
			return a[i] + b[i]*math.Log(c[i]+lux) + 1.5*rng.NormFloat64()
		})}
		made = append(made, l)
	}
	for method, levels := range map[Method][]Level{Offset: made[:1], OffsetGain: {made[0], made[4]},
		LogResponse: made[1:]} {
		m, err := Fit(method, levels, Options{Kelvin: 300})
		if err != nil {
			t.Fatal(err)
		}
		for name, c := range map[string]struct {
			light  func(x, y float64) float64
			drift  []float64
			uneven bool
		}{
			"nothing changed":        {even, own(0), false},
			"drift":                  {even, own(6), false},
			"drift of smoothed ones": {even, smooth(own(6)), false},
			"drift, much smoothed":   {even, smooth(smooth(smooth(smooth(own(0.3))))), false},
			"a lens":                 {func(x, y float64) float64 { return 1 - 0.1*(x*x+y*y) }, own(3), true},
			"a slope":                {func(x, _ float64) float64 { return 1 + 0.08*x }, own(3), true},
			"a scene": {func(x, y float64) float64 { return math.Exp(math.Sin(3*x) * math.Cos(2*y)) }, own(3),
				true},
		} {
			l, reach := level(c.light, c.drift), 0
			if strings.Contains(name, "much") {
				reach = 10
			}
			codes, caution := m.Uneven(l, reach), m.UnevenCaution(l, reach)
			if (codes > 0) != c.uneven || (caution != "") != c.uneven ||
				c.uneven && !strings.Contains(caution, "not uniform") {
				t.Errorf("%v, %s: %.2f codes in common, %q", method, name, codes, caution)
			}
		}
		if got := m.Uneven(Level{1, simulated(t, Shape{Rows: 4, Columns: 4}, scale, 2,
			func(int) float64 { return 9 })}, 0); got != 0 {
			t.Errorf("a level of another shape: %v", got)
		}
	}
}
