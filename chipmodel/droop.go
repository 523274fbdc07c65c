package chipmodel

import (
	"math"
	"time"

	"facetd.example/chipmodel/analog"
)

// defaultLightLux is the light that plans and budgets reckon with where the array states none: a dim room, common
// practice, no source.
const defaultLightLux = 100

// LightLux is the light on the pixels at which plans and budgets state what depends on it.
func (a *Array) LightLux() float64 {
	if lux := a.Message.LightLux; lux != nil {
		return *lux
	}
	return defaultLightLux
}

// Droop is what a nominal cell of the memory loses between load and conversion, in volts at the output of the chip: the
// leakage at the temperature of the class and that by light, over the capacitance, behind a gain of the amplifier (see
// Gain). 0 for a class without memory.
func (c *Class) Droop(hold time.Duration, lux, gain float64) float64 {
	m := c.Spec.GetMemory()
	if m == nil {
		return 0
	}
	leak := m.GetLeakFa()*analog.Doubling(c.Spec.GetTemperatureK(), m.GetLeakDoublingK()) +
		m.GetLightLeakFaPerLux()*lux
	return math.Abs(gain) * analog.DroopVoltsPerS(leak*1e-15, m.GetCellCapacitanceFf()*1e-15) * hold.Seconds()
}

// Gain is that of the amplifier with an index in its register, which must exist; 1 without one.
func (c *Class) Gain(index int) float64 {
	if amp := c.Spec.GetAmplifier(); amp != nil {
		return amp.GetGains()[index]
	}
	return 1
}
