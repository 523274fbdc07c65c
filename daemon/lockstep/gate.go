// Package lockstep lets the time of a virtual bus on only as far as programs allow, so that they can close loops
// against it at their own speed, and the same calls give the same frames.
//
// The limit is the least of what the participants allow, and never goes back. Without a participant, and until those
// have joined that the configuration expects, it stays where it is. A participant for whom bus time has waited long is
// named: in the log, by an event, in the status and by a metric. It is not left out by itself unless the configuration
// says so: a run goes on the same however long it took.
//
// Nothing waits here but callers: each has its own goroutine, limited by its context. maxParticipants may join.
package lockstep

import (
	"context"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// Epoch is what UTC shows at bus time 0 in lockstep, where times have nothing to do with the clocks of the host: equal
// runs have equal times.
var Epoch = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// MonotonicOrigin is what the monotonic clock shows at bus time 0: it is never 0, which means that it is not known.
const MonotonicOrigin = int64(time.Second)

// gate is how far bus time may go. Its methods may be called from any goroutine; the bus is the one that awaits.
type gate struct {
	limit atomic.Int64 // raised under mu alone

	mu      sync.Mutex
	members map[string]*member
	missing []string      // that are expected, and have not joined
	changed chan struct{} // closed, and another made, when anything changes
	// held says that the bus has executed all up to the limit, and since when that is so.
	held   bool
	since  time.Time // when it came to heldAt
	heldAt bus.Time  // where bus time waits, or waited last
	ended  error
}

// member is a participant.
type member struct {
	until   bus.Time
	joined  time.Time
	stalled bool
}

func newGate(expected []string) *gate {
	g := &gate{members: map[string]*member{}, changed: make(chan struct{}), since: time.Now(), heldAt: -1}
	g.missing = slices.Compact(slices.Sorted(slices.Values(expected)))
	return g
}

func (g *gate) now() bus.Time { return bus.Time(g.limit.Load()) }

// change wakes all who wait. The caller holds mu.
func (g *gate) change() {
	close(g.changed)
	g.changed = make(chan struct{})
}

// Await implements virtual.Leash.
func (g *gate) Await(ctx context.Context, at bus.Time, reach func(bus.Time)) error {
	for at > g.now() {
		g.mu.Lock()
		if at <= g.now() {
			g.mu.Unlock()
			break
		}
		reach(g.now())
		if !g.held {
			g.held = true
			// Whoever drives the bus comes back from other things: it waits on for the same bus time.
			if g.heldAt != g.now() {
				g.heldAt, g.since = g.now(), time.Now()
			}
			g.change()
		}
		changed := g.changed
		g.mu.Unlock()
		select {
		case <-changed:
		case <-ctx.Done():
			g.mu.Lock()
			g.held = false // whoever drives the bus is about to do something else
			g.mu.Unlock()
			return ctx.Err()
		}
	}
	return ctx.Err()
}

// raise works the limit out anew. The caller holds mu.
func (g *gate) raise() {
	if len(g.members) == 0 || len(g.missing) > 0 {
		return
	}
	least := bus.Time(1<<63 - 1)
	for _, m := range g.members {
		least = min(least, m.until)
	}
	if least > g.now() {
		g.limit.Store(int64(least))
		g.held = false
	}
}

// holds reports whether bus time waits for a participant. The caller holds mu.
func (g *gate) holds(m *member) bool { return g.held && len(g.missing) == 0 && m.until <= g.now() }

// heldFor is how long bus time has waited for a participant that it waits for: not before it joined. The caller holds
// mu.
func (g *gate) heldFor(m *member) time.Duration {
	return min(time.Since(g.since), time.Since(m.joined))
}

// message says how far bus time may go.
func (g *gate) message() *facetdv1.Lockstep {
	g.mu.Lock()
	defer g.mu.Unlock()
	out := &facetdv1.Lockstep{LimitBusNs: g.now().NS(), Missing: slices.Clone(g.missing)}
	for _, name := range slices.Sorted(maps.Keys(g.members)) {
		m := g.members[name]
		p := &facetdv1.LockstepParticipant{Name: name, UntilBusNs: m.until.NS(), Holds: g.holds(m), Stalled: m.stalled}
		if p.Holds {
			p.HeldNs = int64(g.heldFor(m))
		}
		out.Participants = append(out.Participants, p)
	}
	return out
}

// end ends all waiting, with a cause.
func (g *gate) end(cause error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.ended == nil {
		g.ended = cause
		g.change()
	}
}
