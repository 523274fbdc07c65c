package die

import (
	"math"
	"testing"
	"time"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// lamp is light of 100 lux that flickers.
func lamp(hz, depth float64) *Light {
	light := *flat(100)
	light.Lag = lagUnder(analog.Lamp{Hz: hz, Depth: depth})
	return &light
}

// lagUnder is the lag under a lamp, whose table is made once for all tests.
func lagUnder(lamp analog.Lamp) *analog.LogLag {
	if lagTables[lamp] == nil {
		lagTables[lamp] = analog.NewLogLag(lamp)
	}
	return lagTables[lamp]
}

var lagTables = map[analog.Lamp]*analog.LogLag{}

// linearChip is an ideal counter chip of linear pixels at 1 mV a lux.
func linearChip(t testing.TB, columns uint32, exposure time.Duration) *Die {
	return newIdeal(classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: 2, Columns: columns, PitchXUm: 10}
		bare(c)
		c.Counter = &facetdv1.Counter{Reset_: dur(1000)}
		c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
			Exposure: dur(exposure), ElectronsPerLuxS: 1e3 / exposure.Seconds(), FullWellElectrons: 1e9,
			VoltsPerElectron: 1e-6,
		}}
	}), 0)
}

// TestExposure: an integrating pixel shows the mean light of its exposure, which for a
// sine is the light of the middle with its swing lowered to sin(pi f T)/(pi f T): none over
// whole periods (the transform of a rectangle, any textbook; from memory).
func TestExposure(t *testing.T) {
	const depth = 0.5
	for _, exposure := range []time.Duration{50 * time.Microsecond, 2 * time.Millisecond, 5 * time.Millisecond,
		7 * time.Millisecond, 10 * time.Millisecond, 33 * time.Millisecond, 200 * time.Millisecond} {
		for _, hz := range []float64{100, 120} {
			d := linearChip(t, 1, exposure)
			x := math.Pi * hz * exposure.Seconds()
			for _, at := range []int64{0, 1_234_567, 3_000_000} {
				var v [1]float64
				d.Row(v[:], 0, 0, 1, bustime.Time(at), 0, lamp(hz, depth))
				middle := float64(at)*1e-9 - exposure.Seconds()/2
				want := 100 * (1 + depth*math.Sin(x)/x*math.Sin(2*math.Pi*hz*middle))
				if got := -1e3 * v[0]; math.Abs(got-want) > 1e-9*want {
					t.Errorf("%v of %g Hz at %d ns: %v lux, want %v", exposure, hz, at, got, want)
				}
			}
		}
	}
}

// TestLightMovesAlongARow: each pixel of a row shows the lamp at its own time.
func TestLightMovesAlongARow(t *testing.T) {
	const hz, depth = 100, 0.3
	a := classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: 4, Columns: 48, PitchXUm: 10}
		bare(c)
		c.PixelSwitches = &facetdv1.PixelSwitches{PatternSettle: dur(1000)}
	})
	hexed := classOf(t, func(c *facetdv1.ChipClass) {
		bare(c)
		c.Lattice = &facetdv1.Lattice{Rows: 4, Columns: 48, PitchXUm: 10,
			Arrangement: facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL}
	})
	joined := newIdeal(a, 0)
	joined.Write(chipmodel.ColumnPattern, 0x55)
	joined.Write(chipmodel.RowPattern, 0x77)
	for name, d := range map[string]*Die{"hexagonal": newIdeal(hexed, 0), "switches open": newIdeal(a, 0),
		"joined": joined} {
		for _, interval := range []time.Duration{0, 1500, 5000, 12_000} {
			var v [20]float64
			const start = 777_000
			d.Row(v[:], 1, 3, 2, start, interval, lamp(hz, depth))
			for i, got := range v {
				lux := math.Pow(10, (got-1)/0.06) - 0.01
				want := 100 * (1 + depth*math.Sin(2*math.Pi*hz*(start+float64(i)*float64(interval))*1e-9))
				if math.Abs(lux-want) > 1e-9*want {
					t.Errorf("%s, %d ns a pixel, pixel %d: %v lux, want %v", name, interval, i, lux, want)
				}
			}
			if interval > 0 && math.Abs(v[19]-v[0]) < 1e-5 {
				t.Errorf("%s, %d ns a pixel: the row shows one light", name, interval)
			}
		}
	}
}

// TestJoinedLinearPixels: n joined pixels share the charge of all: the mean signal, and
// shot noise of n times the charge, so that its part is lower by sqrt(n) (Poisson).
func TestJoinedLinearPixels(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	a := classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: 8, Columns: 8, PitchXUm: 10}
		bare(c)
		c.PixelSwitches = &facetdv1.PixelSwitches{PatternSettle: dur(1000)}
		c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
			Exposure: dur(1e6), ElectronsPerLuxS: 1e4, FullWellElectrons: 1e6, VoltsPerElectron: 1e-6, GainSpread: 0.05,
			DarkSpreadElectrons: 20,
		}}
	})
	d := New(a, 0, seed)
	l := d.px.linear
	d.Write(chipmodel.ColumnPattern, 0x77) // fours
	d.Write(chipmodel.RowPattern, 0x55)    // pairs
	var electrons, gain, offset float64
	for r := 2; r < 4; r++ {
		for c := 4; c < 8; c++ {
			gain += l.gain[r*8+c] / 8
			offset += l.offset[r*8+c] / 8
		}
	}
	const frames = 20_000
	var mean, squares float64
	for range frames {
		var v [1]float64
		d.Row(v[:], 3, 5, 1, 0, 0, flat(100))
		electrons = -1e6 * v[0]
		mean += electrons / frames
		squares += electrons * electrons / frames
	}
	light := 100 * gain // electrons of one pixel
	if want := light + offset; math.Abs(mean-want) > 5*math.Sqrt(light/8/frames) {
		t.Errorf("mean signal of %v electrons, want %v", mean, want)
	}
	if got, want := squares-mean*mean, light/8; math.Abs(got/want-1) > 5*math.Sqrt(2.0/frames) {
		t.Errorf("variance of %v electrons squared, want %v", got, want)
	}
}

// TestRegulator: a regulator keeps its output while the supply is above it by the
// dropout and lets a part of the ripple through (60 dB: a thousandth); when the supply
// sinks, the output follows it. The pixel and a gain of 4 see that.
func TestRegulator(t *testing.T) {
	for _, c := range []struct {
		supply, ripple, rejection float64
		high, low                 float64 // of the array's supply, off nominal
	}{
		{5, 0.1, 60, 1e-4, -1e-4},
		{5, 0, 60, 0, 0},
		{3.41, 0.1, 60, 1e-4, -1e-4}, // just enough at the lowest
		{3.35, 0.1, 60, 1e-4, -0.05}, // short for a while
		{3.1, 0.1, 60, -0.1, -0.3},   // always short
		{3.1, 0, 60, -0.2, -0.2},     //
		{5, 0.1, 40, 1e-3, -1e-3},    //
		{4.31, 1, 60, 1e-3, -1e-3},   // much ripple, and room for it
	} {
		a := classOf(t, func(class *facetdv1.ChipClass) {
			k := class.GetRegulator() // 3 V, 0.3 V dropout
			k.SupplyVolts, k.SupplyRippleVolts, k.SupplyRippleHz, k.RejectionDb = c.supply, c.ripple, 1000, c.rejection
		})
		d := New(a, 0, 1)
		d.Write(chipmodel.Gain, 1)
		var nominal [1]float64
		newIdeal(classOf(t, func(*facetdv1.ChipClass) {}), 0).Row(nominal[:], 0, 0, 1, 0, 0, flat(100))
		high, low := math.Inf(-1), math.Inf(1)
		for at := int64(0); at < 1e6; at += 10_000 { // a period
			var v [1]float64
			d.Row(v[:], 0, 0, 1, bustime.Time(at), 0, flat(100))
			off := (v[0]-1)/4 + 1 - nominal[0] // mid is 1 V
			high, low = max(high, off), min(low, off)
		}
		if math.Abs(high-c.high) > 1e-9 || math.Abs(low-c.low) > 1e-9 {
			t.Errorf("supply %g V with ripple %g V: output off by %v to %v V, want %v to %v", c.supply, c.ripple, low,
				high, c.low, c.high)
		}
	}
}

// TestRegistersThatNoChipHas are ignored, as are strobes.
func TestRegistersThatNoChipHas(t *testing.T) {
	a := crawler(t)
	for _, name := range []string{"wall-00", "bed-1", "bow-left", "bow-comb"} {
		d := newIdeal(a, a.Chip(name))
		d.Strobe(chipmodel.Load, 0, 0, flat(100))
		var before, after [1]float64
		d.Row(before[:], 1, 1, 1, 1e6, 0, flat(100))
		for _, r := range []facetdv1.Register{-1, 99, facetdv1.Register(len(d.registers)), chipmodel.Gain,
			chipmodel.Offset, chipmodel.PixelBias} {
			d.Write(r, 77)
		}
		d.Strobe(facetdv1.Strobe(99), 1e6, time.Second, flat(1))
		d.Row(after[:], 1, 1, 1, 1e6, 0, flat(100))
		if before != after || d.Register(99) != 0 || d.Register(-1) != 0 {
			t.Errorf("%s: %v becomes %v", name, before, after)
		}
	}
}
