package autoexposure

import "facetd.example/chipmodel"

// chain is what lies between a pixel and its code, of the mean of some chips. Codes are shares of their range.
type chain struct {
	perVolt, zero float64 // share = volts * perVolt - zero
	low, high     float64 // what amplifier and converter pass, as shares
	// Of the amplifier; without one the gains are the number 1.
	gains           []float64
	mid, offsetStep float64
}

func newChain(class *chipmodel.Class, lanes []*chipmodel.Lane) chain {
	var c chain
	for _, l := range lanes {
		span := l.StepVolts() * float64(uint64(1)<<l.Bits-1)
		c.perVolt += 1 / span / float64(len(lanes))
		c.zero += l.CodeZeroVolts() / span / float64(len(lanes))
	}
	c.low, c.high, c.gains = 0, 1, []float64{1}
	if a := class.Spec.GetAmplifier(); a != nil {
		c.gains, c.mid, c.offsetStep = a.GetGains(), a.GetMidVolts(), a.GetOffsetStepVolts()
		c.low = max(c.low, a.GetLowVolts()*c.perVolt-c.zero)
		c.high = min(c.high, a.GetHighVolts()*c.perVolt-c.zero)
	}
	return c
}

// share is the code of a pixel voltage, however far beyond the range.
func (c *chain) share(volts float64, s Setting) float64 {
	return (c.mid+c.gains[s.Gain]*(volts-c.mid)+float64(s.Offset)*c.offsetStep)*c.perVolt - c.zero
}

// pixel is the pixel voltage of a code.
func (c *chain) pixel(share float64, s Setting) float64 {
	return c.mid + ((share+c.zero)/c.perVolt-c.mid-float64(s.Offset)*c.offsetStep)/c.gains[s.Gain]
}

// passed is a share as far as amplifier and converter pass it.
func (c *chain) passed(share float64) float64 { return min(max(share, c.low), c.high) }
