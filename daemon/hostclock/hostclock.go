// Package hostclock is what the daemon knows of the clocks of its machine: the monotonic one, which is never set and
// which other programs of the machine can read too, and UTC, which may be set at any time: a robot often gets its time
// a while after it booted. Times of frames are given by both, so that an age is never wrong by a setting of UTC.
package hostclock

import (
	"sync"
	"time"

	"facetd.example/api/clocksync"
	"facetd.example/api/machine"
)

// Period is how often Look is to be called: UTC is known worse the longer ago that was.
const Period = time.Second

// Clock follows the clocks of the machine. Its methods may be called from any goroutine.
type Clock struct {
	boot string
	// begin was read when CLOCK_MONOTONIC showed monotonic, to within half.
	begin     time.Time
	monotonic int64
	half      time.Duration
	utcOf     func(now time.Time) int64

	mu    sync.Mutex
	utc   clocksync.UTC
	steps uint64
}

// New looks at the clocks. utcOf is what UTC shows at a time that was just read, in nanoseconds since 1970; nil means
// what that time says of it. Errors: what the system says of CLOCK_MONOTONIC.
func New(utcOf func(now time.Time) int64) (*Clock, error) {
	if utcOf == nil {
		utcOf = time.Time.UnixNano
	}
	before, err := machine.Monotonic()
	if err != nil {
		return nil, err
	}
	now := time.Now()
	after, err := machine.Monotonic()
	if err != nil {
		return nil, err
	}
	half := (after - before + 1) / 2
	c := &Clock{begin: now, monotonic: before + half, half: time.Duration(half), boot: machine.Boot(), utcOf: utcOf}
	c.Look()
	return c, nil
}

// Boot names this boot of the machine, within which CLOCK_MONOTONIC can be compared; empty where it is not known.
func (c *Clock) Boot() string { return c.boot }

// Look compares UTC with the monotonic clock, and returns by how much they went apart since the last look, as UTC was
// set or the machine slept; 0 where neither shows.
func (c *Clock) Look() time.Duration {
	// Go reads UTC before the monotonic clock: the UTC of the second reading lies between both monotonic ones.
	before, after := time.Now(), time.Now()
	c.mu.Lock()
	defer c.mu.Unlock()
	step := c.utc.Add(clocksync.Reading{Before: c.of(before), UTC: c.utcOf(after), After: c.of(after)})
	if step != 0 {
		c.steps++
	}
	return time.Duration(step)
}

// Steps counts how often UTC was set, or the machine slept, since the daemon began.
func (c *Clock) Steps() uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.steps
}

// of is CLOCK_MONOTONIC at a time with a monotonic reading.
func (c *Clock) of(t time.Time) int64 { return c.monotonic + int64(t.Sub(c.begin)) }

// Instant says what the machine's clocks showed at a time of Go's clock in this process, known to within off.
func (c *Clock) Instant(t time.Time, off time.Duration) clocksync.Instant {
	at := c.of(t)
	c.mu.Lock()
	utc, half, epoch := c.utc.At(at)
	c.mu.Unlock()
	return clocksync.Instant{UTC: time.Unix(0, utc).UTC(), Epoch: epoch, Monotonic: at,
		Uncertainty: off + c.half, UTCUncertainty: off + time.Duration(half)}
}
