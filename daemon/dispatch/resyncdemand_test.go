package dispatch

import (
	"context"
	"errors"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// TestCapturesWhereNoRestorationIsInTime: on a host that comes too late for everything, also for bringing the registers
// back, a capture is refused with that cause and does not wait for ever.
func TestCapturesWhereNoRestorationIsInTime(t *testing.T) {
	for _, limits := range []bus.Limits{{}, {LeastLead: 2 * time.Millisecond, Queue: 8}} {
		synctest.Test(t, func(t *testing.T) {
			r := starvedRig(t, limits, starved{rng: rand.New(rand.NewPCG(1, 0)), submit: 300 * time.Millisecond},
				memTask(100), countTask(30))
			end := r.begin(t)
			time.Sleep(1500 * time.Millisecond)
			r.Resync()
			for range 3 {
				within, stop := context.WithTimeout(t.Context(), behindDemand+2*time.Second)
				_, err := r.Capture(within, &facetdv1.CaptureFramesRequest{Target: list("h0")})
				if !errors.As(err, new(*UnavailableError)) {
					t.Errorf("lead %v: %v", limits.LeastLead, err)
				}
				stop()
			}
			if err := end(); err != nil {
				t.Fatal(err)
			}
		})
	}
}
