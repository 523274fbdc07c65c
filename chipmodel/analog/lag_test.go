package analog

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"
)

type lagTable struct {
	Farads    float64
	PerLux    float64 `json:"amperes_per_lux"`
	PerDecade float64 `json:"volts_per_decade"`
	Kelvin    float64
	Ripple    []struct {
		Lux, Hz, Depth float64
		Volts          float64 `json:"peak_to_peak_volts"`
	}
	Gaps []struct {
		Lux, Depth, Hz, Rise float64
		Span                 float64   `json:"span_s"`
		Start                float64   `json:"start_lux"`
		Shown                []float64 `json:"ln_shown"`
	}
}

// TestRipple: the swing of a settled pixel under a lamp beside an ODE solver (lag.json). Light that is quick against
// the pixel is averaged by it; to take the light of the instant as if it had held would make 53 mV of 4.8.
func TestRipple(t *testing.T) {
	var table lagTable
	load(t, "lag", &table)
	k := table.Farads * ThermalVolts(table.Kelvin) / table.PerLux
	for _, r := range table.Ripple {
		lag := NewLogLag(Lamp{r.Hz, r.Depth})
		low, high := math.Inf(1), math.Inf(-1)
		for i := range 5000 {
			y := math.Log(lag.Settled(r.Lux, 0, k, float64(i)/5000))
			low, high = min(low, y), max(high, y)
		}
		near(t, fmt.Sprintf("%g lux, %g Hz, depth %g", r.Lux, r.Hz, r.Depth),
			table.PerDecade/math.Ln10*(high-low), r.Volts, 2e-3)
	}
	if len(table.Ripple) < 7 {
		t.Error("rows are missing")
	}
}

// TestFollow: pixels that are looked at seldom or often, under a lamp and while the mean light moves, beside an ODE
// solver that follows them all the way.
func TestFollow(t *testing.T) {
	var table lagTable
	load(t, "lag", &table)
	k := table.Farads * ThermalVolts(table.Kelvin) / table.PerLux
	for _, r := range table.Gaps {
		lag := NewLogLag(Lamp{r.Hz, r.Depth})
		for _, each := range []int{1, 7, 25, 50} {
			shown, worst := r.Start, 0.0
			mean := func(i int) float64 { return r.Lux * math.Pow(1+r.Rise, float64(i)/50) }
			for i := each; i < len(r.Shown); i += each {
				gap := Gap{r.Span * float64(each) / 50, r.Hz * r.Span * float64(i-each) / 50,
					r.Hz * r.Span * float64(i) / 50}
				shown, _ = lag.Follow(shown, mean(i-each), mean(i), 0, k, gap)
				worst = max(worst, math.Abs(math.Log(shown)-r.Shown[i]))
			}
			if worst > 2e-3 || worst == 0 {
				t.Errorf("%g lux, rise %g, depth %g, gaps of %d: off by %.5f of the light", r.Lux, r.Rise, r.Depth,
					each,
					worst)
			}
		}
	}
	if len(table.Gaps) < 12 {
		t.Error("cases are missing")
	}
}

// TestFollowBesideSmallSteps: random gaps beside the equation itself in 4,000 steps, and what is kept of the start
// beside two starts that lie close together.
func TestFollowBesideSmallSteps(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	made := map[Lamp]*LogLag{}
	for range 300 {
		lamp := Lamp{[]float64{100, 120, 1000}[rng.IntN(3)], []float64{0, 0.1, 0.5}[rng.IntN(3)]}
		lag := made[lamp]
		if lag == nil {
			lag = NewLogLag(lamp)
			made[lamp] = lag
		}
		k := math.Exp(rng.Float64()*6 - 9)
		from := math.Exp(rng.Float64()*8 - 3)
		to := from * math.Exp(rng.NormFloat64()*0.7)
		dark := 0.02 * from * rng.Float64()
		gap := Gap{Seconds: math.Exp(rng.Float64()*5 - 7), From: rng.Float64()}
		gap.To = gap.From + lamp.Hz*gap.Seconds
		start := from * math.Exp(0.3*rng.NormFloat64())
		x := func(t float64) float64 {
			mean := (from + dark) * math.Pow((to+dark)/(from+dark), t/gap.Seconds)
			return dark + (mean-dark)*lamp.Factor(gap.From+lamp.Hz*t)
		}
		want, kept := smallSteps(x, start, gap.Seconds, k), 0.0
		nudged := smallSteps(x, start*(1+1e-6), gap.Seconds, k)
		kept = (1/nudged - 1/want) / (1/(start*(1+1e-6)) - 1/start)
		got, left := lag.Follow(start, from, to, dark, k, gap)
		bound := 4e-3
		switch change := math.Abs(math.Log((to + dark) / (from + dark))); {
		case lamp.Depth > 0 && change > max(gapRatio, quickChange*lamp.Hz*gap.Seconds): // in steps
		case lamp.Depth > 0:
			bound = 1e-2
		}
		if math.Abs(math.Log(got/want)) > bound {
			t.Errorf("%+v, k %g, %g to %g lux in %+v from %g: %g lux, want %g", lamp, k, from, to, gap, start, got,
				want)
		}
		if math.Abs(left-kept) > 1e-2 {
			t.Errorf("%+v, k %g, %g to %g lux in %+v: keeps %g, want %g", lamp, k, from, to, gap, left, kept)
		}
	}
}

// TestFollowWithinACycle: mean light that falls by several times within a part of a lamp's cycle, once 6 % off.
func TestFollowWithinACycle(t *testing.T) {
	lamp := Lamp{Hz: 100, Depth: 0.5}
	for _, c := range []struct{ shown, from, to, k, seconds, phase float64 }{
		{10.64, 7.757, 1.458, 3.556e-3, 1.202e-3, 0.8245},
		{27.02, 24.22, 3.419, 1.964e-3, 2.609e-3, 0.6614},
	} {
		x := func(t float64) float64 {
			return c.from * math.Pow(c.to/c.from, t/c.seconds) * lamp.Factor(c.phase+lamp.Hz*t)
		}
		want := smallSteps(x, c.shown, c.seconds, c.k)
		gap := Gap{Seconds: c.seconds, From: c.phase, To: c.phase + lamp.Hz*c.seconds}
		if got, _ := NewLogLag(lamp).Follow(c.shown, c.from, c.to, 0, c.k, gap); math.Abs(got/want-1) > 2e-3 {
			t.Errorf("%+v: %g lux, want %g", c, got, want)
		}
	}
}

// smallSteps is the stupid reference: implicit in what makes the equation stiff.
func smallSteps(x func(float64) float64, shown, seconds, k float64) float64 {
	const steps = 4_000
	h := seconds / steps
	u := 1 / shown
	for i := range steps {
		// 1/s obeys du/dt = (1 - x u)/k; the implicit midpoint rule.
		m := x((float64(i) + 0.5) * h)
		u = (u*(1-h*m/(2*k)) + h/k) / (1 + h*m/(2*k))
	}
	return 1 / u
}

// TestFollowSteadyLight is the exact solution of a step of light.
func TestFollowSteadyLight(t *testing.T) {
	lag := NewLogLag(Lamp{})
	for _, seconds := range []float64{1e-6, 1e-4, 3e-3, 0.5} {
		got, kept := lag.Follow(40, 2, 2, 0.5, 0.01, Gap{Seconds: seconds})
		near(t, "shown", got, 2.5/(1+(2.5/40-1)*math.Exp(-seconds*2.5/0.01)), 1e-12)
		if want := math.Exp(-seconds * 2.5 / 0.01); math.Abs(kept-want) > 1e-15 {
			t.Errorf("kept: %g, want %g", kept, want)
		}
	}
}

func BenchmarkFollow(b *testing.B) {
	for _, c := range []struct {
		name string
		lamp Lamp
	}{{"steady", Lamp{}}, {"lamp", Lamp{100, 0.3}}} {
		lag := NewLogLag(c.lamp)
		b.Run(c.name, func(b *testing.B) {
			shown := 10.0
			for b.Loop() {
				shown, _ = lag.Follow(shown, 10, 10.5, 0.01, 0.02, Gap{0.02, 0.3, 2.3})
			}
		})
	}
	b.Run("table", func(b *testing.B) {
		for b.Loop() {
			NewLogLag(Lamp{100, 0.3})
		}
	})
}

// TestFollowLightThatGoesOut: light that falls by decades within a gap, in which the pixel follows it at once at first
// and lags far behind it in the end, is followed as in small steps, over more than four decades within a fortieth. What
// is shown is never less than the least light.
func TestFollowLightThatGoesOut(t *testing.T) {
	var l LogLag
	const dark = 0.01
	for _, from := range []float64{1, 1e3, 1e5, 1e9} {
		for _, to := range []float64{0, 1, 100, 1e4, 1e6} {
			for _, k := range []float64{1e-4, 1e-3, 0.013, 0.13} {
				for _, seconds := range []float64{1e-5, 1e-3, 0.0143, 1, 30} {
					u, x, steps := 1/(from+dark), 0.0, 4_000
					for i := range steps {
						x = (from + dark) * math.Pow((to+dark)/(from+dark), (float64(i)+0.5)/float64(steps))
						u = 1/x + (u-1/x)*math.Exp(-x*seconds/float64(steps)/k)
					}
					got, kept := l.Follow(from+dark, from, to, dark, k, Gap{Seconds: seconds})
					if !(math.Abs(got*u-1) < 0.026) || !(kept >= 0 && kept <= 1) || got < 0.999*min(from, to) {
						t.Errorf("from %g to %g lx in %g s, k %g: shows %g, keeps %g; in small steps %g", from, to,
							seconds, k, got, kept, 1/u)
					}
				}
			}
		}
	}
}

// TestFollowIsPossible: under a lamp, too, light that comes and goes by decades within a small part of a cycle leaves a
// pixel showing some light that there was, within a factor of two.
func TestFollowIsPossible(t *testing.T) {
	const dark = 0.01
	for _, depth := range []float64{0.1, 0.5, 1} {
		l := NewLogLag(Lamp{100, depth})
		for n := range 2000 {
			from, to := []float64{1, 1e3, 1e5}[n%3], []float64{0, 1, 100, 1e4, 1e6}[n/3%5]
			seconds, k := []float64{1e-6, 1e-5, 1e-3, 0.0143}[n/15%4], []float64{1e-4, 1e-3, 0.013, 0.13}[n/60%4]
			phase := float64(n) / 2000
			got, _ := l.Follow(from+dark, from, to, dark, k, Gap{seconds, phase, phase + 100*seconds})
			if !(got >= dark/2 && got <= 2*(1+depth)*(max(from, to)+dark)) {
				t.Fatalf("depth %g, from %g to %g lx in %g s at %g, k %g: shows %g", depth, from, to, seconds, phase, k,
					got)
			}
		}
	}
}
