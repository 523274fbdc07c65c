package facet

import (
	"context"
	"errors"
	"sync"
	"time"

	"facetd.example/api/clocksync"
	facetdv1 "facetd.example/api/facetd/v1"
)

// FirstTrips is how many times Client.Clock asks: the best of a few is much better than the first.
const FirstTrips = 4

// ErrNoClock is the error of a daemon that says nothing of its host's monotonic clock.
var ErrNoClock = errors.New("the daemon does not relate bus time to the clock of its host")

// Clock says when something happened on the bus by this machine's monotonic clock, on whichever machine the daemon is:
// neither a difference of the two machines' UTC nor a setting of it matters. Make one with Client.Clock, and Ask about
// once a second. Its methods may be called from any goroutine.
type Clock struct {
	client *Client
	begin  time.Time // of its own times

	mu     sync.Mutex
	remote *clocksync.Remote
	boot   string
	last   *facetdv1.Clock
	middle time.Time // of the last trip
}

// Clock asks the daemon a few times for the clock of its host.
func (c *Client) Clock(ctx context.Context) (*Clock, error) {
	k := &Clock{client: c, begin: time.Now()}
	for range FirstTrips {
		if err := k.Ask(ctx); err != nil {
			return nil, err
		}
	}
	return k, nil
}

// Ask makes one round trip more. What is known gets better with the quickest of them, and worse by 0.2 ms a second
// without. A daemon that was started anew on another boot of its host, or whose clock contradicts what was known for
// three times, is learned anew. Errors: those of a call, ErrNoClock.
func (k *Clock) Ask(ctx context.Context) error {
	sent := time.Now()
	r, err := call(ctx, k.client, k.client.status.GetClock, &facetdv1.GetClockRequest{})
	received := time.Now()
	if err != nil {
		return err
	}
	if r.GetClock().GetMonotonicNs() == 0 {
		return ErrNoClock
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if boot := r.GetIdentity().GetHostBootId(); k.remote == nil || boot != k.boot {
		k.boot = boot
		if k.remote, err = clocksync.NewRemote(clocksync.DefaultDrift); err != nil {
			return err
		}
	}
	off := r.GetClock().GetUncertaintyNs()
	if _, err := k.remote.Add(clocksync.Trip{Sent: int64(sent.Sub(k.begin)) - off,
		Received: int64(received.Sub(k.begin)) + off, Remote: r.GetClock().GetMonotonicNs()}); err != nil {
		return err
	}
	k.last, k.middle = r.GetClock(), sent.Add(received.Sub(sent)/2)
	return nil
}

// Last is what the daemon answered last, and when by this machine's clock: half-way through that trip.
func (k *Clock) Last() (clock *facetdv1.Clock, at time.Time) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.last, k.middle
}

// Time is when, by this machine's clock, the clock of the daemon's host showed a reading of CLOCK_MONOTONIC, such as
// Frame.Message's first_sample_monotonic_ns, and how far that may be off as long as the rates of the two clocks differ
// by no more than 200 ppm. The time has a monotonic reading: differences to it are not changed by settings of UTC.
func (k *Clock) Time(monotonicNS int64) (at time.Time, uncertainty time.Duration) {
	k.mu.Lock()
	defer k.mu.Unlock()
	local, off, _ := k.remote.At(monotonicNS)
	return k.begin.Add(time.Duration(local)), time.Duration(off)
}

// Age is how old the oldest light in a set may be by now, with all that is uncertain about it: never less than it is,
// as long as no machine slept. A set without frames is infinitely old, and so is one of another boot of the daemon's
// host, or whose light would lie in the future.
func (k *Clock) Age(s *FrameSet) time.Duration {
	k.mu.Lock()
	boot := k.boot
	k.mu.Unlock()
	if len(s.Frames()) == 0 || s.boot != "" && s.boot != boot {
		return infinitely
	}
	oldest := time.Duration(0)
	now := time.Now()
	for _, f := range s.Frames() {
		light, known := f.lightMonotonic()
		if !known {
			return infinitely
		}
		at, off := k.Time(light)
		age := now.Sub(at) + off + f.TimeUncertainty()
		if age < 0 {
			return infinitely
		}
		oldest = max(oldest, age)
	}
	return oldest
}
