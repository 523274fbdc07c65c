package die

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// The pixels of these tests: 0.2 V a decade, a node of 60 fF, 90 fA a lux; k is their time constant at one lux.
const (
	lagNode, lagPerLux = 60e-15, 90e-15
	lagPerDecade       = 0.2
)

var lagK = lagNode * analog.ThermalVolts(300) / lagPerLux

// lagging is a chip of such pixels whose own noise is left out, unless noisy.
func lagging(t testing.TB, side uint32, noisy bool) *Die {
	t.Helper()
	d := New(lagClass(t, side), 0, 1)
	if !noisy {
		d.px.noise = 0
	}
	return d
}

func lagClass(t testing.TB, side uint32) *chipmodel.Array {
	return classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: side, Columns: side, PitchXUm: 10}
		bare(c)
		c.Counter = &facetdv1.Counter{Reset_: dur(1000)}
		c.Pixel = &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{
			OffsetVolts: 1, VoltsPerDecade: lagPerDecade, DarkLux: 1e-9, NodeCapacitanceFf: lagNode * 1e15,
			PhotocurrentFaPerLux: lagPerLux * 1e15,
		}}
	})
}

// read is the light that the first pixel shows.
func shownLux(d *Die, at bustime.Time, light *Light) float64 {
	var v [1]float64
	d.Row(v[:], 0, 0, 1, at, 0, light)
	return math.Pow(10, (v[0]-1)/lagPerDecade)
}

// TestFlickerThroughADie: the swing that a logarithmic pixel shows of a lamp when it is read at any rate, beside an ODE
// solver (lag.json, by scipy.integrate.solve_ivp).
func TestFlickerThroughADie(t *testing.T) {
	var table struct {
		Ripple []struct {
			Lux, Hz, Depth float64
			Volts          float64 `json:"peak_to_peak_volts"`
		}
	}
	load(t, "lag", &table)
	for _, r := range table.Ripple {
		for _, rate := range []float64{10.3, 61.7, 1013} {
			d := lagging(t, 1, false)
			light := *flat(r.Lux)
			light.Lag = lagUnder(analog.Lamp{Hz: r.Hz, Depth: r.Depth})
			low, high := math.Inf(1), math.Inf(-1)
			for i := range 4000 {
				v := lagPerDecade * math.Log10(shownLux(d, bustime.Time(float64(i)*1e9/rate), &light))
				low, high = min(low, v), max(high, v)
			}
			if got := high - low; math.Abs(got/r.Volts-1) > 0.01 {
				t.Errorf("%g lux, %g Hz of depth %g read at %g Hz: %.5f V peak to peak, want %.5f", r.Lux, r.Hz,
					r.Depth,
					rate, got, r.Volts)
			}
		}
	}
	if len(table.Ripple) < 7 {
		t.Error("rows are missing")
	}
}

// TestLightBetweenReads: what happens to the light between two reads matters: mean light that moves, read seldom,
// beside the equation in small steps.
func TestLightBetweenReads(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 2))
	for range 8 {
		level, hz := math.Exp(5*rng.Float64()-2), 2+10*rng.Float64()
		mean := func(at bustime.Time) float64 {
			return level * math.Exp(math.Sin(2*math.Pi*hz*float64(at)*1e-9))
		}
		lamp := analog.Lamp{Hz: 100, Depth: []float64{0, 0.4}[rng.IntN(2)]}
		light := &Light{Every: 2 * time.Millisecond, Lag: lagUnder(lamp),
			Row: func(dst []float64, _ int, at bustime.Time) { dst[0] = mean(at) }}
		d := lagging(t, 1, false)
		first := shownLux(d, 0, light)
		u, now := 1/first, 0.0
		for range 12 {
			at := bustime.Time(now*1e9) + bustime.Time(1e6+80e6*rng.Float64())
			steps := 4000
			h := (float64(at)*1e-9 - now) / float64(steps)
			for i := range steps {
				middle := now + (float64(i)+0.5)*h
				x := mean(bustime.Time(middle*1e9)) * lamp.Factor(middle*lamp.Hz)
				u = (u*(1-h*x/(2*lagK)) + h/lagK) / (1 + h*x/(2*lagK))
			}
			now = float64(at) * 1e-9
			if got := shownLux(d, at, light); math.Abs(math.Log(got*u)) > 0.015 {
				t.Errorf("%g lux at %g Hz, %+v, at %v: shows %g lux, want %g", level, hz, lamp, at, got, 1/u)
			}
		}
	}
}

// logStep is the exact solution for light that steps and stays: a logistic curve.
func logStep(before, after, seconds, k float64) float64 {
	return after / (1 + (after/before-1)*math.Exp(-seconds*after/k))
}

// TestJumpsOfLight are followed from their own time, not from the last read: by the exact curve of a step.
func TestJumpsOfLight(t *testing.T) {
	light := &Light{Jumps: []bustime.Time{3e6, 9e6}, Row: func(dst []float64, _ int, at bustime.Time) {
		dst[0] = 20
		if at >= 3e6 {
			dst[0] = 2
		}
		if at >= 9e6 {
			dst[0] = 7
		}
	}}
	d := lagging(t, 1, false)
	if got := shownLux(d, 0, light); math.Abs(got-20) > 1e-6 {
		t.Errorf("settled at %g lux, want 20", got)
	}
	early := logStep(20, 2, 2e-3, lagK)
	if got := shownLux(d, 5e6, light); math.Abs(got/early-1) > 1e-6 {
		t.Errorf("2 ms after the first jump: %g lux, want %g", got, early)
	}
	late := logStep(logStep(early, 2, 4e-3, lagK), 7, 1e-3, lagK)
	if got := shownLux(d, 10e6, light); math.Abs(got/late-1) > 1e-6 {
		t.Errorf("1 ms after the second: %g lux, want %g", got, late)
	}
	// Both in one gap.
	d = lagging(t, 1, false)
	shownLux(d, 0, light)
	all := logStep(logStep(20, 2, 6e-3, lagK), 7, 1e-3, lagK)
	if got := shownLux(d, 10e6, light); math.Abs(got/all-1) > 1e-6 {
		t.Errorf("over both: %g lux, want %g", got, all)
	}
	// Of an integrating pixel, the part of its exposure on either side.
	exposed := linearChip(t, 1, 4*time.Millisecond)
	var v [1]float64
	exposed.Row(v[:], 0, 0, 1, 4e6, 0, light)
	if want := (20*3 + 2.0) / 4; math.Abs(-1e3*v[0]-want) > 1e-9*want {
		t.Errorf("an exposure over a jump: %g lux, want %g", -1e3*v[0], want)
	}
}

// TestOwnNoiseIsKept: the noise of a logarithmic pixel is kT/C in a band of 1/(2 pi tau): from one read to the next it
// is correlated by exp(-T/tau) (an Ornstein-Uhlenbeck process; common practice, no source).
func TestOwnNoiseIsKept(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	const lux, side = 4, 40
	tau := lagK / lux
	for _, gap := range []float64{0.1, 0.5, 1, 3} {
		d := New(lagClass(t, side), 0, seed)
		at := 0.0
		read := func() []float64 {
			out := make([]float64, 0, side*side)
			line := make([]float64, side)
			for r := range side {
				d.Row(line, r, 0, 1, bustime.Time(at*1e9), 0, flat(lux))
				for _, v := range line {
					out = append(out, v-1-lagPerDecade*math.Log10(lux))
				}
			}
			at += gap * tau
			return out
		}
		before := read()
		var squares, products float64
		const frames = 12
		for range frames {
			now := read()
			for i, v := range now {
				squares += v * v
				products += v * before[i]
			}
			before = now
		}
		n := float64(frames * side * side)
		sigma := lagPerDecade / math.Ln10 * analog.KTCVolts(300, lagNode) / analog.ThermalVolts(300)
		if got := math.Sqrt(squares / n); math.Abs(got/sigma-1) > 0.05 {
			t.Errorf("gaps of %g tau: noise of %g V, want %g", gap, got, sigma)
		}
		if got, want := products/squares, math.Exp(-gap); math.Abs(got-want) > 6/math.Sqrt(n) {
			t.Errorf("gaps of %g tau: correlation %.4f, want %.4f", gap, got, want)
		}
	}
}
