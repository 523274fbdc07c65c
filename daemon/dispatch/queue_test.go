package dispatch

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/scheduler"
)

// crowd are as many tasks as there may be, released together.
func crowd(hz float64) []*facetdv1.Task {
	var out []*facetdv1.Task
	for i := range mostTasks {
		out = append(out, &facetdv1.Task{Name: fmt.Sprint("t", i), Target: list("c0"), RateHz: hz})
	}
	return out
}

// noneFails checks that no job of a rig failed but those that its end broke off, or took longer than was predicted.
func noneFails(t *testing.T, r *rig, tasks []*facetdv1.Task) (jobs int) {
	t.Helper()
	for i, task := range tasks {
		most := r.Snapshot().Plan.GetPredictions()[i].GetWorstResponseNs()
		for _, fs := range r.watch.of(task.GetName()) {
			jobs++
			took := fs.GetFinishBusNs() - fs.GetReleaseBusNs()
			if stopped := fs.GetFailure() == "the daemon stopped"; !stopped && (fs.GetLate() || fs.GetFailure() != "" ||
				took > most) {
				t.Errorf("job %d of %s: late %v, %q, took %v of %v", fs.GetJob(), task.GetName(), fs.GetLate(),
					fs.GetFailure(), time.Duration(took), time.Duration(most))
			}
		}
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
	return jobs
}

// TestShortQueues: jobs of more tasks than the queue of the bus takes are released together. Each is handed over in
// time all the same, and what the queue has too few places for is refused by name.
func TestShortQueues(t *testing.T) {
	for name, hz := range map[string]float64{"5 ms, a queue of four": 50, "1 ms, a queue of two": 120,
		"50 ms, a queue of sixteen": 30} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				tasks := crowd(hz)
				r, _ := rigFor(t, far[name], tasks...)
				ctx, cancel := context.WithTimeout(t.Context(), time.Second)
				defer cancel()
				if err := r.Run(ctx); err != nil {
					t.Fatal(err)
				}
				if n := noneFails(t, r, tasks); float64(n) < 0.9*hz*mostTasks {
					t.Errorf("%d jobs", n)
				}
				err := Fits(r.array, far[name], crowd(10*hz))
				var refused *scheduler.RefusalError
				if !errors.As(err, &refused) ||
					refused.Refusal.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_QUEUE {
					t.Errorf("ten times as fast: %v", err)
				}
			})
		})
	}
}

// asker asks for captures and triggers at random instants, and holds what was promised against what came.
type asker struct {
	*rig
	t   *testing.T
	rnd *rand.Rand
	all sync.WaitGroup
	// captured counts the captures with a promise.
	captured atomic.Int64
}

// capture asks for one, and what it is promised just before.
func (a *asker) capture(ctx context.Context) {
	targets := []*facetdv1.Target{list("c0"), list("m0", "m1"), list("h0"), list("m1", "h0", "c0")}
	ask := &facetdv1.CaptureFramesRequest{Target: targets[a.rnd.IntN(len(targets))]}
	told, err := a.PreviewCapture(ctx, &facetdv1.PreviewCaptureRequest{Target: ask.GetTarget()})
	if err != nil {
		return // it fits nowhere
	}
	asked := a.bus.Now()
	a.all.Go(func() {
		done, err := a.Capture(ctx, ask)
		if ctx.Err() != nil || errors.As(err, new(*NoGapError)) {
			return
		}
		if err != nil {
			a.t.Errorf("a capture: %v", err)
			return
		}
		if told.WorstEndNs == nil || told.WaitingAddsNs == nil {
			return
		}
		if took := done.FrameSet.GetFinishBusNs() - asked.NS(); took > told.GetWorstEndNs()+told.GetWaitingAddsNs() {
			a.t.Errorf("a capture at %d took %v: %v", asked.NS(), time.Duration(took), told)
		}
		a.captured.Add(1)
	})
	synctest.Wait()
}

// TestPromisesOnShortQueues: random tasks with a rate and sporadic ones on buses with short queues, triggered at random
// while captures come between. No job fails or ends later than predicted, and no capture later than promised.
func TestPromisesOnShortQueues(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	for name, limits := range far {
		t.Run(name, func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(seed, 2))
			jobs, triggered, captured := 0, 0, 0
			for range peertest.Cases(4, 100) {
				synctest.Test(t, func(t *testing.T) {
					n, m, c := shortQueueRun(t, rnd, limits)
					jobs, triggered, captured = jobs+n, triggered+m, captured+c
				})
			}
			t.Logf("%d jobs, %d of them triggered, %d captures", jobs, triggered, captured)
			if jobs < 100 || triggered < 10 || captured < 10 {
				t.Error("too few")
			}
		})
	}
}

// shortQueueRun is one run of random tasks. It returns the jobs, how many of them were triggered, and the captures.
func shortQueueRun(t *testing.T, rnd *rand.Rand, limits bus.Limits) (jobs, triggered, captured int) {
	rates := []float64{2, 3, 5, 7, 10, 12.5, 16, 20, 25, 40, 50}
	a := &asker{t: t, rnd: rnd}
	var tasks []*facetdv1.Task
	alike := rnd.IntN(2) == 0 // all of them are released together, always
	for {
		tasks = crowd(rates[rnd.IntN(len(rates))])[:1+rnd.IntN(mostTasks)]
		for _, task := range tasks {
			if alike {
				continue
			}
			task.RateHz = rates[rnd.IntN(len(rates))]
			task.Target = []*facetdv1.Target{list("c0"), list("m1"), list("m0", "m1", "m2")}[rnd.IntN(3)]
		}
		tasks = append(tasks, sporadicTask("late", list("s0"), 400*time.Millisecond,
			time.Duration(150+rnd.IntN(200))*time.Millisecond))
		if Fits(newRig(t, free, 0, nil).array, limits, tasks) == nil {
			break
		}
	}
	a.rig, _ = rigFor(t, limits, tasks...)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	time.Sleep(200 * time.Millisecond) // it is active
	for range 40 {
		time.Sleep(time.Duration(rnd.Int64N(int64(100 * time.Millisecond))))
		if rnd.IntN(2) == 0 {
			for range 1 + rnd.IntN(4) {
				a.capture(ctx)
			}
			continue
		}
		if _, err := a.Trigger(ctx, "late"); err != nil && !errors.As(err, new(*TooSoonError)) {
			t.Errorf("a trigger: %v", err)
		}
	}
	time.Sleep(time.Second)
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	a.all.Wait()
	return noneFails(t, a.rig, tasks), len(a.watch.of("late")), int(a.captured.Load())
}
