package chipmodel

import (
	"fmt"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"

	"facetd.example/api/chipparts"
	"facetd.example/api/invalid"
)

// Parts names what chips of the class are made of, such as "square, memory".
func (c *Class) Parts() string { return chipparts.Text(c.Spec) }

// Hexagonal reports whether odd rows of the lattice lie half a pitch to the right.
func (c *Class) Hexagonal() bool {
	return c.Spec.GetLattice().GetArrangement() == facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL
}

// HasMemory reports whether chips of the class hold a loaded snapshot.
func (c *Class) HasMemory() bool { return c.Spec.GetMemory() != nil }

// HasSwitches reports whether switches join the pixels before the light is sensed.
func (c *Class) HasSwitches() bool { return c.Spec.GetPixelSwitches() != nil }

// Exposure is for how long integrating pixels gather light until they are sampled, unless the bus times it; 0 for
// logarithmic ones.
func (c *Class) Exposure() time.Duration { return c.Spec.GetLinear().GetExposure().AsDuration() }

// HasShutter reports whether the bus can time exposures of the class's pixels.
func (c *Class) HasShutter() bool { return c.Spec.GetLinear().GetShutter() != nil }

// HasPatterns reports whether chips of the class have switch pattern registers.
func (c *Class) HasPatterns() bool { return c.HasMemory() || c.HasSwitches() }

// Counts reports whether chips of the class are read by reset and clock, so that a window costs the time of every pixel
// before it.
func (c *Class) Counts() bool { return c.Spec.GetCounter() != nil }

// HasRegister reports whether chips of the class have a register.
func (c *Class) HasRegister(r facetdv1.Register) bool {
	switch r {
	case ColumnPattern, RowPattern:
		return c.HasPatterns()
	case OutputEnable:
		return true
	case PixelBias:
		return c.Spec.GetPixelBias() != nil
	case OutputBias:
		return c.Spec.GetOutputBias() != nil
	case Gain, Offset:
		return c.Spec.GetAmplifier() != nil
	}
	return false
}

// PowerOn is the value of a register after power-on.
func (c *Class) PowerOn(r facetdv1.Register) uint16 {
	switch r {
	case PixelBias:
		return uint16(c.Spec.GetPixelBias().GetNominal())
	case OutputBias:
		return uint16(c.Spec.GetOutputBias().GetNominal())
	}
	return 0
}

// RegisterValue is a register and its value.
type RegisterValue struct {
	Register facetdv1.Register
	Value    uint16
}

// Trim returns the values of all registers of biases and amplifier that chips of the class
// have: those of t, which may be nil, and of power-on where it says nothing. Paths in the
// errors count from t.
func (c *Class) Trim(t *facetdv1.TrimSettings) ([]RegisterValue, invalid.Errors) {
	var m invalid.Errors
	var values []RegisterValue
	if !c.HasRegister(PixelBias) && !c.HasRegister(OutputBias) && !c.HasRegister(Gain) {
		if t != nil {
			m.Add("", fmt.Sprintf("chips of class %q have neither biases nor amplifier (%s)", c.Name, c.Parts()),
				"leave it out")
		}
		return nil, m
	}
	set := func(name string, r facetdv1.Register, given bool, value, low, high int64) {
		switch {
		case !c.HasRegister(r):
			if given {
				m.Add(name, fmt.Sprintf("chips of class %q have no such register (%s)", c.Name, c.Parts()),
					"leave it out")
			}
			return
		case !given:
			value = int64(c.PowerOn(r))
		case value < low || value > high:
			message := fmt.Sprintf("%d is out of range", value)
			if r == Gain {
				message = fmt.Sprintf("%d is not one of the %d gains", value, high+1)
			}
			m.Add(name, message, fmt.Sprintf("use %d to %d", low, high))
		}
		values = append(values, RegisterValue{r, uint16(uint8(value))})
	}
	gains := int64(len(c.Spec.GetAmplifier().GetGains()))
	set("pixel_bias", PixelBias, t != nil && t.PixelBias != nil, int64(t.GetPixelBias()), 0, 255)
	set("output_bias", OutputBias, t != nil && t.OutputBias != nil, int64(t.GetOutputBias()), 0, 255)
	set("gain_index", Gain, t.GetGainIndex() != 0, int64(t.GetGainIndex()), 0, gains-1)
	set("offset", Offset, t.GetOffset() != 0, int64(t.GetOffset()), -128, 127)
	return values, m
}
