package bridge

import (
	"context"
	"sync"
	"time"

	"facetd.example/api/clocksync"
	"facetd.example/bus"
	"facetd.example/chipmodel/bustime"
)

// clock follows the clock of a device by round trips.
type clock struct {
	epoch time.Time // of the own clock, with its monotonic reading
	tick  time.Duration

	mu      sync.Mutex
	remote  *clocksync.Remote
	asked   map[uint32]int64 // when, by token
	token   uint32
	ahead   int64 // by how much the device's clock is ahead of the own one
	known   bool
	worst   time.Duration // round trip since the device began
	least   time.Duration // that too; 0 before the first
	points  []driftPoint
	base    bus.Time // of the device's clock: what the bus time was when the device began
	now     bustime.Clock
	follows bool          // the device's clock does not go as time does: bus time is what it has told
	told    chan struct{} // is closed when it tells again, where it is followed
}

// keptAsked limits questions that were never answered.
const keptAsked = 64

func newClock(tick time.Duration) *clock {
	c := &clock{epoch: time.Now(), tick: tick, told: make(chan struct{})}
	c.restart(0)
	return c
}

// restart forgets a device that has begun anew at a bus time.
func (c *clock) restart(base bus.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.base = base
	c.remote, _ = clocksync.NewRemote(0) // which is the usual drift
	c.asked, c.known = map[uint32]int64{}, false
	c.points, c.least, c.worst = nil, 0, 0
}

func (c *clock) own() int64 { return int64(time.Since(c.epoch)) }

// ask notes a question and returns its token.
func (c *clock) ask() uint32 {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.asked) >= keptAsked {
		clear(c.asked)
	}
	c.token++
	c.asked[c.token] = c.own()
	return c.token
}

// answered takes the answer to a question: what the device's clock showed, in ticks. It returns how long that took; 0
// where nobody has asked.
func (c *clock) answered(token uint32, ticks uint64) (took time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	sent, is := c.asked[token]
	if !is {
		return 0
	}
	delete(c.asked, token)
	trip := clocksync.Trip{Sent: sent, Received: c.own(), Remote: int64(ticks)*int64(c.tick) + c.base.NS()}
	took = time.Duration(trip.Received - trip.Sent)
	c.worst = max(c.worst, took)
	if took > 0 && (c.least == 0 || took < c.least) {
		c.least = took
	}
	if c.follows {
		c.ahead = trip.Remote - trip.Received
		c.now.Reach(bus.Time(trip.Remote))
		close(c.told)
		c.told = make(chan struct{})
		return took
	}
	if _, err := c.remote.Add(trip); err != nil {
		return took
	}
	if local, off, ok := c.remote.At(trip.Remote); ok {
		c.ahead, c.known = trip.Remote-local, true
		c.note(c.ahead, off)
	}
	return took
}

// Now is the bus time, as far as it is known. It never runs backwards.
func (c *clock) Now() bus.Time {
	c.mu.Lock()
	at, follows := bus.Time(c.own()+c.ahead), c.follows
	c.mu.Unlock()
	if !follows {
		c.now.Reach(at)
	}
	return c.now.Now()
}

// ticksOf is a time in ticks.
func (c *clock) ticksOf(d time.Duration) uint64 { return uint64(d / c.tick) }

// toBus is a time of the device as a bus time, toDevice a bus time, which is on the grain, as a time of the device.
func (c *clock) toBus(ticks uint64) bus.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.base.Add(time.Duration(ticks) * c.tick)
}

// toDevice is explained at toBus. A time before the device began is its beginning.
func (c *clock) toDevice(at bus.Time) uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return uint64(max(at.Sub(c.base), 0) / c.tick)
}

// host is the host time at a time of the device, and how far it may be off.
func (c *clock) host(at bus.Time) (time.Time, time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	local, uncertainty, ok := c.remote.At(at.NS())
	if !ok {
		return c.epoch.Add(time.Duration(at.NS() - c.ahead)), time.Hour
	}
	return c.epoch.Add(time.Duration(local)), time.Duration(uncertainty) + c.tick
}

// follow follows the device's clock, or no more: then bus time goes on as time does, from where it was.
func (c *clock) follow(is bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.follows && !is {
		c.ahead = c.now.Now().NS() - c.own()
	}
	c.follows = is
	close(c.told)
	c.told = make(chan struct{})
}

// isLast reports whether the clock is followed, and the answer is that to the last question.
func (c *clock) isLast(token uint32) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.follows && token == c.token
}

// wait waits until the device's clock shows a time. Errors: ctx's.
func (c *clock) wait(ctx context.Context, at bus.Time) error {
	for {
		c.mu.Lock()
		left, told := time.Duration(at.NS()-c.ahead-c.own()), c.told
		if c.follows {
			left = at.Sub(c.now.Now())
		}
		follows := c.follows
		c.mu.Unlock()
		if left <= 0 || ctx.Err() != nil {
			return ctx.Err()
		}
		if follows {
			select {
			case <-told:
			case <-ctx.Done():
			}
			continue
		}
		t := time.NewTimer(left)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
		}
	}
}
