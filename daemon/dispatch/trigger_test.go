package dispatch

import (
	"context"
	"errors"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/failure"
)

// inRealTime runs tasks in real time of a bubble, in which time costs nothing, and ends the run after f.
func inRealTime(t *testing.T, f func(ctx context.Context, r *rig), tasks ...*facetdv1.Task) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, tasks...)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(100 * time.Millisecond)
		f(ctx, r)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}

func lateTask() *facetdv1.Task {
	return sporadicTask("late", list("h0"), 50*time.Millisecond, 20*time.Millisecond)
}

// TestTriggerAnswers: the answer to a trigger says which job was released, and when it runs, as it then does; what
// cannot be triggered is refused by name, and counted.
func TestTriggerAnswers(t *testing.T) {
	t.Parallel()
	inRealTime(t, func(ctx context.Context, r *rig) {
		for n := range uint64(5) {
			got, err := r.Trigger(ctx, "late")
			if err != nil || got.GetJob() != n || got.GetGeneration() != r.Snapshot().Tasks[1].GetGeneration() {
				t.Fatalf("trigger %d: %v, %v", n, got, err)
			}
			_, err = r.Trigger(ctx, "late")
			var soon *TooSoonError
			if !errors.As(err, &soon) || soon.Next.NS() != got.GetNextTriggerBusNs() ||
				!failure.IsPrecondition(err, failure.TooSoon) || soon.Early != 50*time.Millisecond {
				t.Fatalf("at once again: %v", err)
			}
			time.Sleep(50*time.Millisecond + time.Duration(n)*777*time.Microsecond)
			sets := r.watch.of("late")
			if len(sets) != int(n)+1 {
				t.Fatalf("%d sets after %d triggers", len(sets), n+1)
			}
			fs := sets[n]
			if fs.GetJob() != n || fs.GetReleaseBusNs() != got.GetReleaseBusNs() || fs.GetFailure() != "" ||
				fs.GetStartBusNs() != got.GetStartBusNs() || fs.GetFinishBusNs() != got.GetEndBusNs() ||
				fs.GetDeadlineBusNs() != got.GetReleaseBusNs()+20e6 || len(fs.GetFrames()) != 1 {
				t.Errorf("%v, answered was %v", fs, got)
			}
		}
		if _, err := r.Trigger(ctx, "mem"); !failure.IsPrecondition(err, failure.NotSporadic) {
			t.Errorf("a task with a rate: %v", err)
		}
		if _, err := r.Trigger(ctx, "nix"); !errors.As(err, new(*failure.NotFound)) {
			t.Errorf("no such task: %v", err)
		}
		s := r.Snapshot().Tasks[1].GetStatus()
		if s.GetTriggers() != 5 || s.GetTriggersRefused() != 5 || s.GetJobsOnTime() != 5 ||
			s.GetWorstResponseNs() > s.GetPromisedResponseNs() || s.GetPromisedResponseNs() > 20e6 {
			t.Errorf("%v", s)
		}
	}, memTask(100), lateTask())
}

// TestTriggersThatWait: a trigger that waits fails with the cause when the array is stopped or its task is removed; it
// goes on when another task comes, within what is promised for a change.
func TestTriggersThatWait(t *testing.T) {
	t.Parallel()
	last := func(r *rig) *facetdv1.FrameSet {
		sets := r.watch.of("late")
		return sets[len(sets)-1]
	}
	inRealTime(t, func(ctx context.Context, r *rig) {
		if _, err := r.Trigger(ctx, "late"); err != nil {
			t.Fatal(err)
		}
		if _, err := r.AddTask(ctx, countTask(40)); err != nil {
			t.Fatal(err)
		}
		time.Sleep(50 * time.Millisecond)
		pr := r.Snapshot().Plan.GetPredictions()[1]
		if fs := last(r); fs.GetFailure() != "" ||
			fs.GetFinishBusNs()-fs.GetReleaseBusNs() > pr.GetWorstResponseInChangeNs() {
			t.Errorf("with another task beside: %v; promised: %v", fs, pr)
		}
		if _, err := r.Trigger(ctx, "late"); err != nil {
			t.Fatal(err)
		}
		r.SafeStop(ctx, StopReason{Reason: "test"})
		if fs := last(r); fs.GetJob() != 1 || !strings.Contains(fs.GetFailure(), "safe stop") {
			t.Errorf("stopped: %v", fs)
		}
		var stopped *SafeStopError
		if _, err := r.Trigger(ctx, "late"); !errors.As(err, &stopped) {
			t.Errorf("while it is stopped: %v", err)
		}
		if _, _, err := r.Resume(ctx, 0); err != nil {
			t.Fatal(err)
		}
		time.Sleep(60 * time.Millisecond)
		if got, err := r.Trigger(ctx, "late"); err != nil || got.GetJob() != 2 {
			t.Fatalf("%v, %v", got, err)
		}
		if _, err := r.RemoveTask(ctx, "late"); err != nil {
			t.Fatal(err)
		}
		if fs := last(r); fs.GetJob() != 2 || fs.GetFailure() != "" && !strings.Contains(fs.GetFailure(), "removed") {
			t.Errorf("removed: %v", fs)
		}
	}, memTask(100), lateTask())
}

// TestUnusedReservationIsFree: what a sporadic task does not use is free for a capture that fits nowhere else, which is
// told beforehand to have no bound; other tasks lose nothing.
func TestUnusedReservationIsFree(t *testing.T) {
	t.Parallel()
	// The sporadic task reads three chips of memory with many shares, which leaves too little between its reservations.
	deep := sporadicTask("late", list("m0", "m1", "m2"), time.Second, 300*time.Microsecond)
	deep.Views = []*facetdv1.View{{SmoothingSteps: 6}}
	capture := &facetdv1.CaptureFramesRequest{Target: list("m0", "m1", "m2"), Views: deep.GetViews()}
	inRealTime(t, func(ctx context.Context, r *rig) {
		told, err := r.PreviewCapture(ctx, &facetdv1.PreviewCaptureRequest{Target: capture.GetTarget(),
			Views: capture.GetViews()})
		if err != nil || told.WorstEndNs != nil || told.GetJobNs() == 0 {
			t.Fatalf("%v, %v", told, err)
		}
		done, err := r.Capture(ctx, capture)
		if err != nil || len(done.FrameSet.GetFrames()) != 3 {
			t.Fatalf("%v, %v", done, err)
		}
		at := bus.Time(done.FrameSet.GetStartBusNs()).Sub(r.runner.tab.epoch) % r.runner.tab.plan.Hyperperiod
		inside := false
		for _, e := range r.runner.tab.plan.Entries {
			inside = inside || e.Start == at
		}
		if !inside {
			t.Errorf("it began %v after the start of the table", at)
		}
		if _, err := r.Trigger(ctx, "late"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Millisecond)
		sets := r.watch.of("late")
		if len(sets) != 1 || sets[0].GetLate() || sets[0].GetFailure() != "" {
			t.Errorf("%v", sets)
		}
	}, deep)
}

// TestMixedCapture: chips of several classes are read in one job, each frame of its chip, none twice.
func TestMixedCapture(t *testing.T) {
	t.Parallel()
	inRealTime(t, func(ctx context.Context, r *rig) {
		views := []*facetdv1.View{{Name: "all"}, {Name: "part", Window: &facetdv1.Window{Rows: 2, Columns: 3}}}
		done, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("c0", "m0", "m1", "h0"), Views: views})
		if err != nil {
			t.Fatal(err)
		}
		seen := map[string]bool{}
		for _, f := range done.FrameSet.GetFrames() {
			seen[f.GetChip()+" "+f.GetView()] = true
			if f.GetFirstSampleBusNs() == 0 || f.GetView() == "part" && f.GetRows() != 2 {
				t.Errorf("%v", f)
			}
		}
		if len(seen) != 8 || len(done.FrameSet.GetFrames()) != 8 {
			t.Errorf("%v", seen)
		}
	}, memTask(100), countTask(50))
}

// TestTriggersOnABusAhead: on buses that are given work ahead of time the promise counts that in, and is kept by
// triggers at random times, with other tasks beside and captures in what is not used.
func TestTriggersOnABusAhead(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for name, limits := range buses() {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				late := sporadicTask("late", list("h0"), 250*time.Millisecond, 220*time.Millisecond)
				r, _ := rigFor(t, limits, memTask(20), late)
				ctx, cancel := context.WithCancel(t.Context())
				done := make(chan error, 1)
				go func() { done <- r.Run(ctx) }()
				time.Sleep(300 * time.Millisecond)
				for range 60 {
					if _, err := r.Trigger(ctx, "late"); err != nil {
						t.Error(err)
					}
					if rng.IntN(3) == 0 {
						if _, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("c0")}); err != nil {
							t.Error(err)
						}
					}
					time.Sleep(250*time.Millisecond + time.Duration(rng.Int64N(1e8)))
				}
				cancel()
				if err := <-done; err != nil {
					t.Error(err)
				}
				promised := promises(r)
				worst := checkSporadic(t, r, promised)["late"]
				if lead := int64(triggerLead(limits)); worst < lead {
					t.Errorf("the worst was %d ns, the lead is %d, promised were %d", worst, lead, promised["late"])
				}
			})
		})
	}
}
