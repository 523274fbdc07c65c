package dispatch

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestTriggersDoNotHoldUpChanges: a client that triggers one sporadic task after another, each while the job of the one
// before runs, so that there is no instant at which none waits, holds up a change of the tasks for a limited time. Each
// trigger is answered within what the tables before and after promise in sum, and no job fails.
func TestTriggersDoNotHoldUpChanges(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		const several = 8
		tasks := []*facetdv1.Task{memTask(500)}
		for k := range several {
			tasks = append(tasks, sporadicTask(fmt.Sprint("s", k), list([]string{"h0", "t0", "s0", "c0"}[k%4]),
				20*time.Millisecond, 20*time.Millisecond))
		}
		r := newRig(t, realtime, 0, nil, tasks...)
		ctx, cancel := context.WithCancel(t.Context())
		done, chained := make(chan error, 1), make(chan struct{})
		go func() { done <- r.Run(ctx) }()
		time.Sleep(100 * time.Millisecond)
		go func() {
			defer close(chained)
			for n := 0; ctx.Err() == nil; n++ { // against their order in the table, so that each waits for long
				got, err := r.Trigger(ctx, fmt.Sprint("s", several-1-n%several))
				if err != nil {
					time.Sleep(10 * time.Microsecond)
					continue
				}
				time.Sleep(time.Duration(got.GetStartBusNs()-r.bus.Now().NS()) + 2*time.Microsecond)
			}
		}()
		time.Sleep(100 * time.Millisecond)
		promised := promises(r)
		begin := time.Now()
		limited, stop := context.WithTimeout(ctx, 20*time.Second)
		defer stop()
		_, err := r.AddTask(limited, &facetdv1.Task{Name: "m", RateHz: 5, Target: list("m0")})
		took := time.Since(begin)
		if err != nil || took < suitsWithin || took > suitsWithin+time.Second/2 {
			t.Errorf("the change took %v: %v", took, err)
		}
		for _, pr := range r.Snapshot().Plan.GetPredictions() {
			promised[pr.GetTask()] += pr.GetWorstResponseInChangeNs()
		}
		time.Sleep(100 * time.Millisecond)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		<-chained
		answered := 0
		for _, task := range r.Snapshot().Tasks {
			name := task.GetTask().GetName()
			for i, fs := range r.watch.of(name) {
				ended := fs.GetFailure() == "the daemon stopped"
				if fs.GetJob() != uint64(i) || fs.GetFailure() != "" && !ended {
					t.Errorf("%s: job %d of %d: %q", name, fs.GetJob(), i, fs.GetFailure())
				}
				if task.GetTask().GetLeastInterval() == nil || ended {
					continue
				}
				answered++
				if response := fs.GetFinishBusNs() - fs.GetReleaseBusNs(); response > promised[name] {
					t.Errorf("%s: job %d took %d ns, promised were %d", name, i, response, promised[name])
				}
			}
		}
		if answered < 100 || len(r.watch.violations) > 0 {
			t.Errorf("%d triggers were answered; rules violated: %v", answered, r.watch.violations)
		}
	})
}
