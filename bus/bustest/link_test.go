package bustest

import (
	"maps"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// TestLinkOrder: what becomes of frames that both ends send in one instant does not depend on who is first.
func TestLinkOrder(t *testing.T) {
	type sent struct {
		way   direction
		frame frame
	}
	frames := []sent{{toDevice, frame{session: 1, boot: 1, number: 7}}, {toHost, frame{session: 1, boot: 1, number: 7}}}
	lost, doubled := 0, 0
	for seed := range uint64(100) {
		arrivals := func(order []int) map[time.Duration]direction {
			out := map[time.Duration]direction{}
			synctest.Test(t, func(t *testing.T) {
				l := link{epoch: time.Now(), latency: time.Duration(seed) * time.Microsecond, seed: seed,
					taken: map[time.Duration]bool{}}
				if seed > 0 {
					l.faults = []LinkFault{{Until: time.Hour, Lose: 0.3, Double: 0.3, Delay: 3}}
				}
				var mu sync.Mutex // as that of the executor
				for range 3 {
					for _, i := range order {
						s := &frames[i]
						mu.Lock()
						l.carry(s.way, &s.frame, func(at time.Duration) {
							mu.Lock()
							defer mu.Unlock()
							if time.Since(l.epoch) != at || out[at] != 0 {
								t.Errorf("seed %d: a frame arrives at %v, which is to be %v and its own", seed,
									time.Since(l.epoch), at)
							}
							l.arrived(at)
							out[at] = s.way + 1
						})
						mu.Unlock()
					}
					time.Sleep(time.Millisecond) // all have arrived
					synctest.Wait()
				}
			})
			return out
		}
		first, second := arrivals([]int{0, 1}), arrivals([]int{1, 0})
		if !maps.Equal(first, second) {
			t.Errorf("seed %d: frames arrive at %v, or at %v", seed, first, second)
		}
		switch n := len(first); {
		case n < 6:
			lost++
		case n > 6:
			doubled++
		}
		if seed == 0 && len(first) != 6 {
			t.Errorf("without a fault %d of 6 frames arrive", len(first))
		}
	}
	if lost == 0 || doubled == 0 {
		t.Errorf("frames were lost in %d of 100 runs, doubled in %d", lost, doubled)
	}
}
