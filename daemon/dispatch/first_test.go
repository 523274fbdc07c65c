package dispatch

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// failFirst is a bus whose first n segments fail: the initialization of the first timetable, so often.
func failFirst(n int) func(bus.BusCloser) bus.BusCloser {
	return func(b bus.BusCloser) bus.BusCloser { return failing(b, func(i int) bool { return i <= n }) }
}

// TestFirstInitializationFails: the dispatcher tries again, and then runs the tasks that it was made with.
func TestFirstInitializationFails(t *testing.T) {
	for _, n := range []int{1, faultAfter - 1} {
		r := newRig(t, free, time.Second+firstStart.Elapsed(), failFirst(n), memTask(100), countTask(30))
		if err := r.Run(t.Context()); err != nil {
			t.Fatalf("after %d failures: %v", n, err)
		}
		for task, least := range map[string]int{"mem": 99, "count": 29} {
			sets := r.watch.of(task)
			if len(sets) < least {
				t.Errorf("after %d failures: %d jobs of %s in a second, want %d at least", n, len(sets), task, least)
			}
			for _, fs := range sets {
				if fs.GetFailure() != "" || fs.GetLate() {
					t.Errorf("after %d failures: job %d of %s: late %v, failure %q", n, fs.GetJob(), task, fs.GetLate(),
						fs.GetFailure())
				}
			}
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("after %d failures: %v", n, r.watch.violations)
		}
		if got := len(r.Snapshot().Tasks); got != 2 {
			t.Errorf("after %d failures: %d tasks are running, want 2", n, got)
		}
	}
}

// TestInitializationNeverSucceeds: the bus is given up with its cause, and requests are answered.
func TestInitializationNeverSucceeds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, failFirst(1000), memTask(100))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(time.Second)
		if s := r.Snapshot(); s.State != facetdv1.State_STATE_FAULT || s.Fault == "" {
			t.Errorf("state %v %q", s.State, s.Fault)
		}
		if _, err := r.AddTask(ctx, countTask(1)); err == nil {
			t.Error("a task was added to a bus that was given up")
		}
		cancel()
		if err := <-done; err == nil {
			t.Error("a bus that was given up ended without an error")
		}
	})
}

// TestChangeBeforeTheFirstInitialization: a task that is added while the first initialization fails runs beside
// the first tasks.
func TestChangeBeforeTheFirstInitialization(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, failFirst(1), memTask(100))
		ctx, cancel := context.WithCancel(t.Context())
		added := make(chan error, 1)
		go func() {
			_, err := r.AddTask(ctx, countTask(30))
			added <- err
		}()
		synctest.Wait()
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(time.Second)
		if err := <-added; err != nil {
			t.Error(err)
		}
		for _, task := range []string{"mem", "count"} {
			if len(r.watch.of(task)) < 25 {
				t.Errorf("%d jobs of %s in a second", len(r.watch.of(task)), task)
			}
		}
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}
