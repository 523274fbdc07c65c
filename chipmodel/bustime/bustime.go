// Package bustime holds the time on the bus, which is neither a time of day nor a duration: it counts from when the bus
// started. It is a type of its own so that the compiler finds where the three are mixed up.
package bustime

import (
	"math"
	"strconv"
	"sync/atomic"
	"time"
)

// Time is nanoseconds on the bus's own clock since the bus started. Times compare with the operators; a difference of
// two is a time.Duration, which Sub gives. Messages and files carry it as an int64 of nanoseconds.
type Time int64

// Never is before every time, Forever after every time that a bus reaches.
const (
	Never   Time = math.MinInt64
	Forever Time = math.MaxInt64
)

// Add returns the time a duration later.
func (t Time) Add(d time.Duration) Time { return t + Time(d) }

// Sub returns how much later t is than u.
func (t Time) Sub(u Time) time.Duration { return time.Duration(t - u) }

// NS returns the nanoseconds since the bus started, for messages, files and logs.
func (t Time) NS() int64 { return int64(t) }

// Elapsed returns how long after its start the bus reaches the time.
func (t Time) Elapsed() time.Duration { return time.Duration(t) }

// Cycles returns the fractional part of a frequency in hertz times the time, in [0, 1): the phase of what began with
// the bus. Whole seconds are split off first so that long runs keep their phase.
func (t Time) Cycles(hz float64) float64 {
	whole, rest := t/1e9, t%1e9
	phase := math.Mod(hz*float64(whole), 1) + hz*(float64(rest)*1e-9)
	return phase - math.Floor(phase)
}

// String writes the nanoseconds, such as "1200 ns".
func (t Time) String() string { return strconv.FormatInt(int64(t), 10) + " ns" }

// Clock is a time that one goroutine moves and others read. The zero value stands at 0.
type Clock struct{ now atomic.Int64 }

// Now returns the time.
func (c *Clock) Now() Time { return Time(c.now.Load()) }

// Reach moves the clock to a time, unless it is past it.
func (c *Clock) Reach(at Time) {
	for {
		old := c.now.Load()
		if int64(at) <= old || c.now.CompareAndSwap(old, int64(at)) {
			return
		}
	}
}
