package analog

import (
	"math"
)

// Converter is an N-bit analog-to-digital converter with its errors.
type Converter struct {
	low, perVolt float64
	highest      float64
	noise        float64
	levels       []float64 // what to add at each code to find the real step, in steps; nil when ideal
	rng          *Noise
}

// ConverterSpec describes a converter; see the schema's message for the meaning.
type ConverterSpec struct {
	Bits                int
	LowVolts, HighVolts float64
	NoiseVolts          float64
	OffsetVolts         float64
	GainError           float64
	BowSteps            float64 // peak of the integral non-linearity
	StepSpread          float64 // standard deviation of a step, in steps
}

// NewConverter makes a converter; rng draws its fixed errors now and its noise
// later, and may be nil for an ideal one.
func NewConverter(s ConverterSpec, rng *Noise) *Converter {
	steps := math.Exp2(float64(s.Bits))
	c := &Converter{
		low:     s.LowVolts - s.OffsetVolts,
		perVolt: steps / (s.HighVolts - s.LowVolts) * (1 + s.GainError),
		highest: steps - 1, noise: s.NoiseVolts, rng: rng,
	}
	if rng == nil {
		c.noise = 0
		return c
	}
	if s.BowSteps == 0 && s.StepSpread == 0 {
		return c
	}
	// The bow is a parabola through both ends; the steps wander about it by a
	// random walk that is tied down at both ends (end-point fit).
	n := int(steps)
	c.levels = make([]float64, n)
	var walk float64
	for i := range n {
		c.levels[i] = walk
		walk += s.StepSpread * rng.Normal()
	}
	last := c.levels[n-1]
	for i := range n {
		x := float64(i) / float64(n-1)
		c.levels[i] += 4*s.BowSteps*x*(1-x) - last*x
	}
	return c
}

// Convert turns volts at the input into codes. residual is the part of the step
// from the level before that is still missing when a pixel is sampled (the ghost
// of the previous pixel); previous is that level, and the last one is returned.
func (c *Converter) Convert(codes []uint16, volts []float64, previous, residual float64) float64 {
	for i, v := range volts {
		seen := v
		if residual != 0 { // an infinite level leaves no trace on a settled line
			seen += (previous - v) * residual
		}
		previous = seen
		if c.noise > 0 {
			seen += c.noise * c.rng.Normal()
		}
		x := (seen - c.low) * c.perVolt
		if c.levels != nil && x == x {
			x += c.levels[int(min(max(x, 0), c.highest))]
		}
		switch {
		case !(x >= 0): // NaN too
			codes[i] = 0
		case x >= c.highest:
			codes[i] = uint16(c.highest)
		default:
			codes[i] = uint16(x)
		}
	}
	return previous
}
