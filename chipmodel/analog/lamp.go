package analog

import "math"

// Lamp is light that swings as the power of a lamp does, by the factor 1 + Depth sin(2 pi Hz t). Lamps follow the
// power, which has twice the frequency of the mains. The zero value is steady light. Phases are in cycles; only their
// fraction counts.
type Lamp struct{ Hz, Depth float64 }

// Steady reports that the light does not swing.
func (l Lamp) Steady() bool { return l.Depth == 0 || l.Hz == 0 }

// Factor is by what the mean light is multiplied at a phase.
func (l Lamp) Factor(phase float64) float64 {
	if l.Steady() {
		return 1
	}
	return 1 + l.Depth*math.Sin(2*math.Pi*phase)
}

// Mean is the mean factor over a time that ends at a phase: that of its middle with the swing lowered to
// sinc(pi Hz seconds).
func (l Lamp) Mean(phase, seconds float64) float64 {
	if l.Steady() {
		return 1
	}
	half := math.Pi * l.Hz * seconds
	swing := 1.0
	if half > 0 {
		swing = math.Sin(half) / half
	}
	return 1 + l.Depth*swing*math.Sin(2*math.Pi*phase-half)
}

// swung is the integral of sin(2 pi Hz t) from one phase to another, in seconds.
func (l Lamp) swung(from, to float64) float64 {
	return (math.Cos(2*math.Pi*from) - math.Cos(2*math.Pi*to)) / (2 * math.Pi * l.Hz)
}
