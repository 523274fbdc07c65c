package die

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// TestLinearMemory: a memory chip of linear pixels holds their signals: two loads of
// one light differ by the shot noise of the charge (Poisson), read noise and the kT/C
// of the cells, which are independent.
func TestLinearMemory(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	const side, electrons, read, perElectron, cell = 96, 4000.0, 20.0, 20e-6, 20e-15
	a := classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: side, Columns: side, PitchXUm: 10}
		bare(c)
		c.Memory = &facetdv1.AnalogMemory{LoadRow: dur(1000), CellCapacitanceFf: cell * 1e15, SwitchResistanceOhms: 1e4}
		c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
			Exposure: dur(1e6), ElectronsPerLuxS: 1e3 * electrons / 100, FullWellElectrons: 1e5,
			VoltsPerElectron: perElectron,
			ResetVolts:       2, ReadNoiseElectrons: read,
		}}
	})
	d := New(a, 0, seed)
	load := func(at int64) []float64 {
		d.Strobe(chipmodel.Load, bustime.Time(at), 0, flat(100))
		return frame(d, side, side, bustime.Time(at+1e6), flat(1))
	}
	one, two := load(0), load(1e9)
	var mean, variance float64
	for i := range one {
		mean += (one[i] + two[i]) / 2 / (side * side)
		variance += (one[i] - two[i]) * (one[i] - two[i]) / 2 / (side * side)
	}
	ktc := analog.KTCVolts(300, cell)
	want := perElectron*perElectron*(electrons+read*read) + ktc*ktc
	if math.Abs(variance/want-1) > 5*math.Sqrt(2.0/(side*side)) {
		t.Errorf("variance of %v V^2, want %v", variance, want)
	}
	if math.Abs(mean-(2-electrons*perElectron)) > 5*math.Sqrt(want/2)/side {
		t.Errorf("mean of %v V, want %v", mean, 2-electrons*perElectron)
	}
}

// TestLagOfADie: after the light has fallen, pixels follow dx/dt = x (light - x)/(C U_T
// over the current of a lux), integrated here in small steps; far later they have
// arrived. The mean over many pixels leaves little of the noise.
func TestLagOfADie(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	const side, node, perLux = 64, 50e-15, 100e-15
	a := classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: side, Columns: side, PitchXUm: 10}
		bare(c)
		c.Counter = &facetdv1.Counter{Reset_: dur(1000)}
		c.Pixel = &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{
			OffsetVolts: 1, VoltsPerDecade: 0.06, DarkLux: 0.01, NodeCapacitanceFf: node * 1e15,
			PhotocurrentFaPerLux: perLux * 1e15,
		}}
	})
	luxSeconds := node * analog.ThermalVolts(300) / perLux
	for _, after := range []float64{0.5, 5, 2000} {
		d := New(a, 0, seed)
		mean := func(lux float64, at int64) (sum float64) {
			volts := make([]float64, side)
			for r := range side {
				d.Row(volts, r, 0, 1, bustime.Time(at), 0, flat(lux))
				for _, v := range volts {
					sum += v / (side * side)
				}
			}
			return sum
		}
		mean(100, 0)
		x, now := 100.01, 0.0
		for _, at := range []int64{200_000, 1_000_000, 4_000_000, 30_000_000, 2_000_000_000} {
			const steps = 200_000
			h := (float64(at)*1e-9 - now) / steps
			for range steps {
				rate := func(x float64) float64 { return x * (after + 0.01 - x) / luxSeconds }
				middle := x + h/2*rate(x)
				x += h * rate(middle)
			}
			now = float64(at) * 1e-9
			got, want := mean(after, at), 1+0.06*math.Log10(x)
			slope := 0.06 / math.Ln10 / analog.ThermalVolts(300)
			if bound := 5*slope*analog.KTCVolts(300, node)/side + 2e-6; math.Abs(got-want) > bound {
				t.Errorf("100 to %g lux after %d ns: %v V, want %v within %v", after, at, got, want, bound)
			}
		}
	}
}

// TestPowerOn: registers go back to their values after power-on and memory forgets.
func TestPowerOn(t *testing.T) {
	a := crawler(t)
	d := newIdeal(a, a.Chip("wall-00"))
	if d.Hold(0, 1e9) != 0 {
		t.Error("a memory that was never loaded is held")
	}
	d.Write(chipmodel.ColumnPattern, 0x55)
	d.Strobe(chipmodel.Load, 0, 0, ramp)
	if d.Hold(3, 1e9) <= 0 || d.Hold(3, 0) != 0 {
		t.Error("a loaded memory is not held from its load on")
	}
	d.PowerOn()
	var v [1]float64
	d.Row(v[:], 0, 0, 1, 2e9, 0, ramp)
	if d.Register(chipmodel.ColumnPattern) != 0 || d.Hold(3, 1e9) != 0 || v[0] != 0 {
		t.Errorf("after power-on: pattern %#x, held %d ns, %v V", d.Register(chipmodel.ColumnPattern), d.Hold(3, 1e9),
			v[0])
	}
	trim := newIdeal(classOf(t, func(*facetdv1.ChipClass) {}), 0)
	trim.Write(chipmodel.PixelBias, 3)
	trim.Write(chipmodel.Gain, 1)
	d.Row(v[:], 0, 0, 1, 0, 0, ramp)
	trim.PowerOn()
	var one, two [1]float64
	trim.Row(one[:], 0, 0, 1, 0, 0, flat(100))
	newIdeal(classOf(t, func(*facetdv1.ChipClass) {}), 0).Row(two[:], 0, 0, 1, 0, 0, flat(100))
	if trim.Register(chipmodel.PixelBias) != 128 || one != two {
		t.Errorf("after power-on: bias %d, %v V, want 128 and %v V", trim.Register(chipmodel.PixelBias), one, two)
	}
	for _, name := range []string{"bed-1", "bow-left", "bow-comb"} { // no memory
		d := newIdeal(a, a.Chip(name))
		d.Strobe(chipmodel.Load, 0, 0, ramp)
		if d.Hold(1, 1e9) != 0 {
			t.Errorf("%s: held without a memory", name)
		}
	}
}

// TestSignalAndResponse: what a chip's chain and pixel do is undone again, whatever the
// registers and the light.
func TestSignalAndResponse(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 13))
	for range 300 {
		kelvin := 260 + 80*rng.Float64()
		a := classOf(t, func(c *facetdv1.ChipClass) {
			c.TemperatureK = kelvin
			c.Amplifier.LowVolts, c.Amplifier.HighVolts = -1e3, 1e3
			c.Regulator.SupplyVolts = 3 + rng.Float64() // short of the dropout below 3.3 V
			if rng.IntN(2) == 0 {
				c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
					Exposure: dur(1e6), ElectronsPerLuxS: 1e4, DarkElectronsPerS: 1e3, FullWellElectrons: 1e6,
					VoltsPerElectron: 1e-6, ResetVolts: 2, DarkDoublingK: 8,
				}}
			}
		})
		d, response := newIdeal(a, 0), NewResponse(a.Classes[0])
		d.Write(chipmodel.PixelBias, uint16(rng.IntN(256)))
		d.Write(chipmodel.Gain, uint16(rng.IntN(2)))
		d.Write(chipmodel.Offset, uint16(rng.IntN(256)))
		lux := math.Exp(rng.Float64()*9 - 2)
		var v [1]float64
		d.Row(v[:], 1, 1, 1, 0, 0, flat(lux))
		signal := d.Signal(v[0])
		if math.Abs(signal-response.Volts(lux)) > 1e-10 {
			t.Errorf("signal %v V, want %v V", signal, response.Volts(lux))
		}
		if got, ok := response.Lux(signal); !ok || math.Abs(got/lux-1) > 1e-6 {
			t.Errorf("%v lux is read back as %v, %v", lux, got, ok)
		}
		h := 1e-4
		slope := (response.Volts(lux*(1+h)) - response.Volts(lux*(1-h))) / (2 * h)
		if math.Abs(slope/response.Slope(lux)-1) > 1e-4 {
			t.Errorf("slope %v, want %v", response.Slope(lux), slope)
		}
	}
}

// TestDroopBeforeAShare: what cells under unequal light have lost before a share is
// spread over the block; after it each goes on at a rate of its own.
func TestDroopBeforeAShare(t *testing.T) {
	const cell, leak, perLux = 100.0, 5.0, 1.0 // fF, fA, fA a lux
	a := classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: 2, Columns: 2, PitchXUm: 10}
		bare(c)
		c.Memory = &facetdv1.AnalogMemory{
			LoadRow: dur(1000), CellCapacitanceFf: cell, SwitchResistanceOhms: 1e4, LeakFa: leak,
			LightLeakFaPerLux: perLux,
		}
	})
	light := Still(func(dst []float64, row int, _ bustime.Time) {
		for c := range dst {
			dst[c] = float64(1 + 10*row + 5*c)
		}
	})
	rate := func(row, column int) float64 { return (leak + perLux*float64(1+10*row+5*column)) / cell } // V/s
	d := New(a, 0, 5)
	read := func(at int64) (v [4]float64) {
		d.Row(v[:2], 0, 0, 1, bustime.Time(at), 0, light)
		d.Row(v[2:], 1, 0, 1, bustime.Time(at), 0, light)
		return v
	}
	d.Strobe(chipmodel.Load, 0, 0, light)
	start := read(1500)
	d.Write(chipmodel.ColumnPattern, 1)
	d.Write(chipmodel.RowPattern, 1)
	d.Strobe(chipmodel.Share, 4e8, dur(1e6).AsDuration(), light)
	d.Strobe(chipmodel.Share, 5e8, dur(1e6).AsDuration(), light) // and once more
	var mean float64
	for i, v := range start {
		r := rate(i/2, i%2)
		mean += (v - r*0.5) / 4
	}
	if got, held := read(12e8), d.Hold(0, 12e8); held != 12e8-500 {
		t.Errorf("held for %d ns after %v", held, got)
	} else {
		for i, v := range got {
			want := mean - rate(i/2, i%2)*0.7
			// A tenth of a second between the shares is lost by each and spread again.
			if math.Abs(v-want) > 6*analog.KTCVolts(300, cell*1e-15)+1e-6 {
				t.Errorf("cell %d: %v V, want %v V", i, v, want)
			}
		}
	}
}
