package dispatch

import (
	"context"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestTriggersThroughChanges: while other tasks come and go, every trigger of a sporadic task is answered within what
// the plans before or after promise for a change, and none is lost. Triggers come at random times, many of them while a
// change is made.
func TestTriggersThroughChanges(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for name, limits := range buses() {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				late := sporadicTask("late", list("h0"), 260*time.Millisecond, 200*time.Millisecond)
				r, _ := rigFor(t, limits, memTask(20), late)
				ctx, cancel := context.WithCancel(t.Context())
				done := make(chan error, 1)
				go func() { done <- r.Run(ctx) }()
				time.Sleep(300 * time.Millisecond)
				promise := func() int64 {
					for _, p := range r.Snapshot().Plan.GetPredictions() {
						if p.GetTask() == "late" {
							return p.GetWorstResponseInChangeNs()
						}
					}
					return 0
				}
				var promised []int64
				for n := range 40 {
					changed := make(chan error, 1)
					before := promise()
					go func() {
						time.Sleep(time.Duration(rng.Int64N(2e6)))
						var err error
						if n%2 == 0 {
							_, err = r.AddTask(ctx, countTask([]float64{5, 10, 40, 100}[n/2%4]))
						} else {
							_, err = r.RemoveTask(ctx, "count")
						}
						changed <- err
					}()
					time.Sleep(time.Duration(n) * 50 * time.Microsecond)
					if _, err := r.Trigger(ctx, "late"); err != nil {
						t.Error(err)
					}
					if err := <-changed; err != nil {
						t.Error(err)
					}
					promised = append(promised, max(before, promise()))
					time.Sleep(300 * time.Millisecond)
				}
				cancel()
				if err := <-done; err != nil {
					t.Error(err)
				}
				checkChanged(t, r, promised)
			})
		})
	}
}

// checkChanged holds the responses of a sporadic task against what was promised of each, and that no job of the other
// task fails.
func checkChanged(t *testing.T, r *rig, promised []int64) {
	t.Helper()
	sets := r.watch.of("late")
	if len(sets) != len(promised) {
		t.Fatalf("%d jobs of %d triggers", len(sets), len(promised))
	}
	for i, fs := range sets {
		if response := fs.GetFinishBusNs() - fs.GetReleaseBusNs(); fs.GetFailure() != "" || response > promised[i] {
			t.Errorf("job %d took %d ns, promised were %d; %q", fs.GetJob(), response, promised[i], fs.GetFailure())
		}
	}
	late := func(fs *facetdv1.FrameSet) bool {
		return fs.GetFailure() != "" && fs.GetFailure() != "the daemon stopped"
	}
	for _, fs := range r.watch.of("mem") {
		if late(fs) {
			t.Errorf("another task: job %d: %q", fs.GetJob(), fs.GetFailure())
		}
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}
