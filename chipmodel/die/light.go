package die

import (
	"time"

	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// Light is what falls on one chip: mean light that moves slowly, times the swing of a lamp. It is told so, and not as
// one function of time, because pixels follow the light between two looks at them too: what is known of it needs no
// small steps.
type Light struct {
	// Row fills dst, as long as the lattice has columns, with the mean light in lux on one row of the chip at a bus
	// time.
	Row func(dst []float64, row int, at bustime.Time)
	// Sweep, if it is not nil, fills dst likewise with the light that each column sees when they are read one after
	// another, evenly: the first at one bus time, the last at another. Without, it is interpolated between two rows.
	Sweep func(dst []float64, row, first, last int, from, to bustime.Time)
	// Every is how far apart two looks at the mean light may be so that it moves evenly in between; 0 for light that
	// stays.
	Every time.Duration
	// Jumps are the rising times at which the mean light changes at once.
	Jumps []bustime.Time
	// Lag is how pixels follow it under the lamp; nil for one that is steady. Making one takes time: chips share it.
	Lag *analog.LogLag
}

// Still is light that stays. Where a die is given another one at its next look, that counts as having held since the
// last.
func Still(row func(dst []float64, row int, at bustime.Time)) *Light { return &Light{Row: row} }

// steadyLag serves all light without a lamp.
var steadyLag = analog.NewLogLag(analog.Lamp{})

func (l *Light) lag() *analog.LogLag {
	if l.Lag == nil {
		return steadyLag
	}
	return l.Lag
}

// lamp is the lamp and its phase at a bus time.
func (l *Light) lamp(at bustime.Time) (analog.Lamp, float64) {
	lamp := l.lag().Lamp()
	if lamp.Steady() {
		return lamp, 0
	}
	return lamp, at.Cycles(lamp.Hz)
}

// within is the first jump after a time and no more than a span later, or nil.
func (l *Light) within(at bustime.Time, span time.Duration) *bustime.Time {
	for i := range l.Jumps {
		if l.Jumps[i] > at {
			if l.Jumps[i] <= at.Add(span) {
				return &l.Jumps[i]
			}
			return nil
		}
	}
	return nil
}

// last is the last jump after one time and up to another, or nil.
func (l *Light) last(after, upTo bustime.Time) *bustime.Time {
	for i := len(l.Jumps) - 1; i >= 0; i-- {
		if l.Jumps[i] <= upTo {
			if l.Jumps[i] > after {
				return &l.Jumps[i]
			}
			return nil
		}
	}
	return nil
}
