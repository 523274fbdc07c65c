package clocksync

import "time"

// Instant is one instant by the clocks of a machine.
type Instant struct {
	// UTC as the machine has it, and Epoch, which counts from 1 how often it was set or the machine slept; 0
	// where nobody looks.
	UTC   time.Time
	Epoch uint32
	// Monotonic is the reading of CLOCK_MONOTONIC in nanoseconds; 0 where it is not known.
	Monotonic int64
	// Uncertainty is how far Monotonic may be off, UTCUncertainty how far UTC may.
	Uncertainty, UTCUncertainty time.Duration
}
