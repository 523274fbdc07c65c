package chipmodel

import (
	"fmt"
	"time"

	"facetd.example/chipmodel/bustime"
)

// The grain of a bus is the step of the clock that times its operations. Every part of an operation that the bus times
// itself (dead time, set-up, writes, strobes, steps, settling, conversions, waits) lasts a whole number of grains, and
// so begins and ends on one. What a time of the array file says is a least time, which chips and lanes need; the bus
// gives the next multiple. Nothing in the physics of a chip is harmed by more of them: charge and voltages only settle
// further, and what leaks meanwhile counts as hold, which is planned, reported and limited like any other.
//
// The array's digest is that of what was described, whatever the grain.

// GrainError says that a bus of this grain cannot operate the array. Use a bus with a finer one.
type GrainError struct{ message string }

func (e *GrainError) Error() string { return e.message }

// OnGrain returns the array on a bus of a grain: a copy whose times of operations are rounded up to multiples of it.
// The error is a *GrainError.
func (a *Array) OnGrain(grain time.Duration) (*Array, error) {
	if grain < 1 {
		return nil, &GrainError{fmt.Sprintf("a bus cannot have a grain of %v: give 1ns or more", grain)}
	}
	// A stop takes effect at the next grain, at the latest one grain after it was asked for.
	if limit := a.Timing.ReleaseLimit; !a.WiringOnly && grain > limit {
		return nil,
			&GrainError{fmt.Sprintf("on a bus with a grain of %v the select lines could be active for %v after "+
				"a stop, and the array's release_limit is %v: use a bus with a finer grain", grain, grain, limit)}
	}
	out := *a
	out.grain = grain
	return &out, nil
}

// Grain is the grain of the bus that the array is on; one nanosecond unless OnGrain said otherwise.
func (a *Array) Grain() time.Duration { return max(a.grain, 1) }

// Up rounds a duration of zero or more up to the grain.
func (a *Array) Up(d time.Duration) time.Duration {
	if a.grain <= 1 {
		return d
	}
	return (d + a.grain - 1) / a.grain * a.grain
}

// UpTime is the first bus time from at on, which is not before the bus started, at which an operation can begin.
func (a *Array) UpTime(at bustime.Time) bustime.Time { return bustime.Time(a.Up(at.Elapsed())) }

// OnGrid reports whether a time is a whole number of grains.
func (a *Array) OnGrid(d time.Duration) bool { return a.grain <= 1 || d%a.grain == 0 }
