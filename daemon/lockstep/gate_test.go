package lockstep

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/bus"
)

// TestWaitingGoesOnThroughInterruptions: whoever drives the bus does something else every second while it waits for bus
// time, and yet how long a participant lets it wait is counted through; from where bus time has gone on, anew.
func TestWaitingGoesOnThroughInterruptions(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGate(nil)
		g.members["arm"] = &member{joined: time.Now()}
		waits := func(at bus.Time, seconds int) time.Duration {
			for range seconds {
				ctx, cancel := context.WithTimeout(t.Context(), time.Second)
				if err := g.Await(ctx, at, func(bus.Time) {}); err == nil {
					t.Errorf("bus time went to %v", at)
				}
				cancel()
			}
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan struct{})
			go func() { _ = g.Await(ctx, at, func(bus.Time) {}); close(done) }()
			synctest.Wait()
			held := time.Duration(g.message().GetParticipants()[0].GetHeldNs())
			cancel()
			<-done
			return held
		}
		if held := waits(10, 6); held != 6*time.Second {
			t.Errorf("bus time has waited for 6 s; told are %v", held)
		}
		g.mu.Lock()
		g.members["arm"].until = 5
		g.raise()
		g.mu.Unlock()
		if held := waits(10, 2); held != 2*time.Second {
			t.Errorf("at another bus time it has waited for 2 s; told are %v", held)
		}
	})
}
