package analog

import "math"

// Converter is an N-bit analog-to-digital converter with its errors.
type Converter struct {
	low, perVolt float64
	highest      float64
	noise        float64
	begins       []float64 // the input at which each code begins, in steps; nil when ideal
	rng          *Noise
	draws        []float64 // the noise of some conversions
}

// ConverterSpec describes a converter; see the schema's message for the meaning.
type ConverterSpec struct {
	Bits                int
	LowVolts, HighVolts float64
	NoiseVolts          float64
	OffsetVolts         float64
	GainError           float64
	// BowSteps is the peak of the integral non-linearity: how late the middle codes
	// begin. StepSpread is the standard deviation of the steps. Both in steps, by the
	// end-point method of IEEE 1241 (from memory).
	BowSteps, StepSpread float64
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
	// The bow is a parabola through both ends. The places of the codes about it are
	// independent, so that errors of steps do not add up along the range. A place before
	// that of the code below makes that one missing, not the converter fall.
	n := int(steps)
	c.begins = make([]float64, n)
	for i := range n {
		x := float64(i) / float64(n-1)
		c.begins[i] = float64(i) + 4*s.BowSteps*x*(1-x)
		if i > 0 && i < n-1 { // the ends are where offset and gain put them
			c.begins[i] += s.StepSpread / math.Sqrt2 * rng.Normal()
			c.begins[i] = max(c.begins[i], c.begins[i-1])
		}
	}
	return c
}

// code finds the code of an input in steps.
func (c *Converter) code(x float64) uint16 {
	if !(x >= 0) { // NaN too
		return 0
	}
	k := int(min(x, c.highest))
	if c.begins == nil {
		return uint16(k)
	}
	k = int(min(max(x-(c.begins[k]-float64(k)), 0), c.highest)) // nearly right
	for k < int(c.highest) && x >= c.begins[k+1] {
		k++
	}
	for k > 0 && x < c.begins[k] {
		k--
	}
	return uint16(k)
}

// Convert turns volts at the input into codes. residual is the part of the step
// from the level before that is still missing when a pixel is sampled (the ghost
// of the previous pixel); previous is that level, and the last one is returned.
func (c *Converter) Convert(codes []uint16, volts []float64, previous, residual float64) float64 {
	if c.noise > 0 {
		if len(c.draws) < len(volts) {
			c.draws = make([]float64, len(volts))
		}
		c.rng.Normals(c.draws[:len(volts)])
	}
	for i, v := range volts {
		seen := seenAfter(previous, v, residual)
		previous = seen
		if c.noise > 0 {
			seen += c.noise * c.draws[i]
		}
		codes[i] = c.code((seen - c.low) * c.perVolt)
	}
	return previous
}

// seenAfter is the level that a converter sees of a pixel after that of another.
func seenAfter(previous, v, residual float64) float64 {
	if residual != 0 { // an infinite level leaves no trace on a settled line
		v += (previous - v) * residual
	}
	return v
}

// Level is the level that Convert would return.
func Level(volts []float64, previous, residual float64) float64 {
	for _, v := range volts {
		previous = seenAfter(previous, v, residual)
	}
	return previous
}

// Draws is how many normals the conversion of some pixels draws of the noise.
func (c *Converter) Draws(pixels int) int {
	if c.noise > 0 {
		return pixels
	}
	return 0
}
