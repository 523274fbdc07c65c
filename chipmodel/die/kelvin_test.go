package die

import (
	"math"
	"slices"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
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
