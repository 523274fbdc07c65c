package die

import (
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
)

// idleFraction is where in its converter's range a lane lies that nothing drives. Invented.
const idleFraction = 1.0 / 32

// IdleVolts is the level, in volts, of a lane that nothing drives: a weak pull holds it a little above the low end of
// its converter's range.
func IdleVolts(c *facetdv1.Converter) float64 {
	return c.GetLowVolts() + idleFraction*(c.GetHighVolts()-c.GetLowVolts())
}

// Lane is one simulated analog line with its converter. It remembers the level of the previous pixel, whose ghost a
// line that has not settled still shows.
type Lane struct {
	conv     *analog.Converter
	noise    *analog.Noise // of the converter
	bits     int
	previous float64
	// last is the last conversion, where it was noted to be made later: what the lane shows is known by it then.
	// waiting is how many were noted since it was known.
	last    *LaterConversion
	waiting int
	room    []LaterConversion // for those to come

	undo struct {
		noise    analog.Noise
		previous float64
		last     *LaterConversion
		waiting  int
	}
}

// NewLane makes a lane of an array; its errors are drawn from the seed and the
// lane's index.
func NewLane(a *chipmodel.Array, lane int, seed uint64) *Lane {
	l := &a.Lanes[lane]
	spec := l.Spec.GetConverter()
	noise := analog.NewNoise(seed, 0x1a9e0000+uint64(lane))
	return &Lane{
		noise: noise,
		conv: analog.NewConverter(analog.ConverterSpec{
			Bits: l.Bits, LowVolts: spec.GetLowVolts(), HighVolts: spec.GetHighVolts(),
			NoiseVolts: spec.GetNoiseVolts(), OffsetVolts: spec.GetOffsetVolts(), GainError: spec.GetGainError(),
			BowSteps: spec.GetIntegralNonlinearitySteps(), StepSpread: spec.GetDifferentialNonlinearitySteps(),
		}, noise),
		bits: l.Bits, previous: spec.GetLowVolts(),
	}
}

// Residual is the part of a step that is still missing after the time given, on a line that takes the time needed to
// settle to half a step: exp(-given/tau), where needed is (bits+1) ln 2 time constants.
func (l *Lane) Residual(given, needed time.Duration) float64 {
	if needed <= 0 {
		return 0
	}
	return math.Exp2(-float64(l.bits+1) * float64(given) / float64(needed))
}

// Convert turns the volts of successive pixels into codes.
func (l *Lane) Convert(codes []uint16, volts []float64, residual float64) {
	l.Do()
	l.previous = l.conv.Convert(codes, volts, l.previous, residual)
}

// Remember notes what conversions change of the lane; Undo takes back those since.
func (l *Lane) Remember() {
	u := &l.undo
	u.noise, u.previous, u.last, u.waiting = *l.noise, l.previous, l.last, l.waiting
}

// Undo is explained at Remember.
func (l *Lane) Undo() {
	u := &l.undo
	*l.noise, l.previous, l.last, l.waiting = u.noise, u.previous, u.last, u.waiting
}
