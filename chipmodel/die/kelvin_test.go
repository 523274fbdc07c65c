package die

import (
	"math"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
)

// TestBroughtToAnotherTemperature: a die that is brought to a temperature is the die
// whose class has it, and is what it was, to the bit, when it comes back. Chips of every
// class of the demo, and one with linear pixels; frames with noise, lag and droop.
func TestBroughtToAnotherTemperature(t *testing.T) {
	const kelvin = 318.0
	cold, warm := crawler(t), crawler(t)
	for i := range warm.Classes {
		warm.Classes[i].Spec.TemperatureK = kelvin
	}
	linear := func(k float64) *chipmodel.Array {
		return classOf(t, func(c *facetdv1.ChipClass) {
			c.TemperatureK = k
			c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
				Exposure: dur(5_000_000), ElectronsPerLuxS: 1e5, DarkElectronsPerS: 5e4, FullWellElectrons: 1e5,
				VoltsPerElectron: 1e-5,
				ResetVolts:       2, DarkSpreadElectrons: 20, GainSpread: 0.01, ReadNoiseElectrons: 10,
				DarkDoublingK: 8,
			}}
		})
	}
	look := func(d *Die, c *chipmodel.Class) []float64 {
		d.Strobe(chipmodel.Load, 1_000_000, 0, ramp)
		return frame(d, c.Rows, c.Columns, 40_000_000, ramp)
	}
	compare := func(name string, cold, warm *chipmodel.Array, chip int) {
		class := cold.Chips[chip].Class
		there, want := New(cold, chip, 7), New(warm, chip, 7)
		there.SetKelvin(kelvin)
		worst, apart := 0.0, 0.0
		here := look(New(cold, chip, 7), class)
		got := look(there, class)
		for i, v := range look(want, warm.Chips[chip].Class) {
			worst = max(worst, math.Abs(got[i]-v))
			apart = max(apart, math.Abs(got[i]-here[i]))
		}
		if worst > 1e-9 || apart < 1e-4 {
			t.Errorf("%s: %g V off, %g V from the colder die", name, worst, apart)
		}
		back := New(cold, chip, 7)
		back.SetKelvin(kelvin)
		back.SetKelvin(class.Spec.GetTemperatureK())
		if !slices.Equal(look(back, class), here) {
			t.Errorf("%s: it did not come back to what it was", name)
		}
	}
	seen := map[string]bool{}
	for i := range cold.Chips {
		if class := cold.Chips[i].Class; !seen[class.Name] {
			seen[class.Name] = true
			compare(class.Name, cold, warm, i)
		}
	}
	compare("linear", linear(300), linear(kelvin), 0)
	if len(seen) < 4 {
		t.Errorf("only classes %v", seen)
	}
}

// TestSmallNodesFollowTheTemperature: noise and lag of pixels whose node has less than a femtofarad go with the
// temperature as those of others do.
func TestSmallNodesFollowTheTemperature(t *testing.T) {
	at := func(kelvin float64) *Die {
		return newDie(classOf(t, func(c *facetdv1.ChipClass) {
			c.TemperatureK = kelvin
			c.Pixel = &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{OffsetVolts: 1,
				VoltsPerDecade: 0.1, DarkLux: 0.01, NodeCapacitanceFf: 0.5, PhotocurrentFaPerLux: 100}}
		}).Chips[0].Class, time.Microsecond, analog.NewNoise(7, 1))
	}
	d, cold, warm := at(300), at(300), at(330)
	d.SetKelvin(330)
	for _, c := range []struct {
		what            string
		got, want, from float64
	}{
		{"noise", d.px.noise, warm.px.noise, cold.px.noise},
		{"lag", d.px.lag.luxSeconds, warm.px.lag.luxSeconds, cold.px.lag.luxSeconds},
	} {
		if math.Abs(c.got/c.want-1) > 1e-12 || !(c.want > 1.01*c.from) {
			t.Errorf("%s of %g after a die was warmed from %g, that of a warm one is %g", c.what, c.got, c.from, c.want)
		}
	}
}

// TestJoinedPixelsFollowTheTemperature: pixels that are joined before sensing and have been
// read take on another temperature as single ones do, without a new pattern.
func TestJoinedPixelsFollowTheTemperature(t *testing.T) {
	const kelvin = 318.0
	cold, warm := crawler(t), crawler(t)
	for i := range warm.Classes {
		warm.Classes[i].Spec.TemperatureK = kelvin
	}
	chip := cold.Chip("bow-left")
	class := cold.Chips[chip].Class
	d, want := newIdeal(cold, chip), newIdeal(warm, chip)
	for _, one := range []*Die{d, want} {
		one.Write(chipmodel.ColumnPattern, 0x55)
	}
	look := func(d *Die) []float64 { return frame(d, class.Rows, class.Columns, 0, ramp) }
	before := look(d)
	d.SetKelvin(kelvin)
	after := look(d)
	for i, v := range look(want) {
		if math.Abs(after[i]-v) > 1e-9 {
			t.Fatalf("pixel %d: %v V, a die of %v K gives %v V; before it was warmed it gave %v V", i, after[i], kelvin,
				v, before[i])
		}
	}
}

// TestBiasActsAtTheLoad: a memory chip shows the operating point that its pixels had when
// they were loaded, and a bias that is written after that moves nothing until the next load.
func TestBiasActsAtTheLoad(t *testing.T) {
	a := classOf(t, func(c *facetdv1.ChipClass) {
		bare(c)
		c.Memory = &facetdv1.AnalogMemory{LoadRow: dur(1000), CellCapacitanceFf: 100, ShareSettle: dur(1000)}
		c.PixelBias = &facetdv1.PixelBias{Nominal: 128, VoltsPerStep: proto.Float64(0.01)}
	})
	d := newIdeal(a, 0)
	look := func() float64 { return frame(d, 4, 4, 1e6, flat(5))[0] }
	d.Strobe(chipmodel.Load, 0, 0, flat(5))
	nominal := look()
	d.Write(chipmodel.PixelBias, 138)
	if v := look(); v != nominal {
		t.Errorf("a bias after the load moved the cells by %v V", v-nominal)
	}
	d.Strobe(chipmodel.Load, 0, 0, flat(5))
	if v := look(); math.Abs(v-nominal-0.1) > 1e-12 {
		t.Errorf("ten steps of bias before a load moved the cells by %v V, want 0.1 V", v-nominal)
	}
}
