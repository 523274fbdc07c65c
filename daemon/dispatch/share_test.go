package dispatch

import (
	"bytes"
	"context"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// sharer is a task on all memory chips at 100 Hz.
func sharer(name string, deadline time.Duration, views ...*facetdv1.View) *facetdv1.Task {
	t := memTask(100)
	t.Name, t.Views = name, views
	if deadline > 0 {
		t.Deadline = durationpb.New(deadline)
	}
	return t
}

var (
	wholeView = &facetdv1.View{Name: "whole"}
	softView  = &facetdv1.View{Name: "soft", SmoothingSteps: 1}
)

// TestSharedLoadRuns: two tasks that share a load see what one task with both their
// views does, each its own frames under its own numbers, deadline and skew.
func TestSharedLoadRuns(t *testing.T) {
	until := firstStart.Elapsed() + 500*time.Millisecond
	apart := newRig(t, free, until, nil, sharer("soft", 4*time.Millisecond, softView), countTask(30),
		sharer("whole", 0, wholeView))
	one := newRig(t, free, until, nil, sharer("both", 0, wholeView, softView), countTask(30))
	for _, r := range []*rig{apart, one} {
		if err := r.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		if len(r.watch.violations) > 0 {
			t.Fatalf("rules violated: %v", r.watch.violations)
		}
	}
	if n := len(apart.runner.standing.plan.Tasks); n != 2 {
		t.Fatalf("%d bus jobs", n)
	}
	whole, soft, both := apart.watch.of("whole"), apart.watch.of("soft"), one.watch.of("both")
	if len(whole) != 50 || len(soft) != 50 || len(both) != 50 {
		t.Fatalf("%d and %d jobs, as one task %d", len(whole), len(soft), len(both))
	}
	if len(apart.watch.of("whole,soft")) > 0 {
		t.Error("the bus job itself has frame sets")
	}
	for i, b := range both {
		for _, c := range []struct {
			fs       *facetdv1.FrameSet
			frames   []*facetdv1.Frame
			deadline int64
		}{{whole[i], b.GetFrames()[:3], 10e6}, {soft[i], b.GetFrames()[3:], 4e6}} {
			fs := c.fs
			if fs.GetJob() != uint64(i) || fs.GetFailure() != "" || fs.GetLate() ||
				fs.GetDeadlineBusNs()-fs.GetReleaseBusNs() != c.deadline ||
				fs.GetFinishBusNs() != b.GetFinishBusNs() || fs.GetStartBusNs() != b.GetStartBusNs() ||
				fs.GetSkewNs() != b.GetSkewNs() || len(fs.GetFrames()) != len(c.frames) {
				t.Fatalf("job %d: %v; as one task %v", i, fs, b)
			}
			for k, f := range fs.GetFrames() {
				if w := c.frames[k]; f.GetChip() != w.GetChip() || f.GetView() != w.GetView() ||
					f.GetHoldNs() != w.GetHoldNs() || !bytes.Equal(f.GetData(), w.GetData()) {
					t.Fatalf("job %d frame %d of %s: %v; as one task %v", i, k, fs.GetTask(), f, w)
				}
			}
		}
	}
	for i, name := range []string{"soft", "count", "whole"} {
		s := apart.Snapshot().Tasks[i]
		if pr := s.GetStatus(); s.GetTask().GetName() != name || pr.GetJobsOnTime() == 0 ||
			pr.GetJobsLate()+pr.GetJobsFailed() > 0 || pr.GetAchievedRateHz() < 0.99*s.GetTask().GetRateHz() {
			t.Errorf("%s: %v", name, s)
		}
	}
	if busy, want := apart.Snapshot().Busy, one.Snapshot().Busy; busy != want {
		t.Errorf("busy %v, as one task %v", busy, want)
	}
}

// TestSharingChangesLoseNothing adds a task that shares the load of a running one and
// removes it again, then the other one: nobody loses a job or a number.
func TestSharingChangesLoseNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, sharer("whole", 0, wholeView))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		add := func(task *facetdv1.Task, jobs int) {
			t.Helper()
			if _, err := r.AddTask(ctx, task); err != nil {
				t.Fatal(err)
			}
			if n := len(r.Snapshot().Plan.GetPredictions()); n != 2 || len(r.board.plan.Tasks) != jobs {
				t.Errorf("%d predictions, %d bus jobs", n, len(r.board.plan.Tasks))
			}
		}
		remove := func(name string) {
			t.Helper()
			if _, err := r.RemoveTask(ctx, name); err != nil {
				t.Fatal(err)
			}
		}
		for range 10 {
			time.Sleep(137 * time.Millisecond)
			add(sharer("soft", 0, softView), 1)
			time.Sleep(93 * time.Millisecond)
			remove("soft")
		}
		time.Sleep(41 * time.Millisecond)
		add(sharer("soft", 0, softView), 1)
		time.Sleep(101 * time.Millisecond)
		// What is under way may be parted as well: by another rate.
		slow := sharer("soft", 0, softView)
		slow.RateHz = 50
		if _, err := r.UpdateTask(ctx, slow); err != nil || len(r.board.plan.Tasks) != 2 {
			t.Errorf("%d bus jobs: %v", len(r.board.plan.Tasks), err)
		}
		time.Sleep(101 * time.Millisecond)
		if _, err := r.UpdateTask(ctx, sharer("soft", 0, softView)); err != nil || len(r.board.plan.Tasks) != 1 {
			t.Errorf("%d bus jobs: %v", len(r.board.plan.Tasks), err)
		}
		// A capture between shared jobs.
		got, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("m0")})
		if err != nil || len(got.FrameSet.GetFrames()) != 1 {
			t.Errorf("capture: %v, %v", got.FrameSet, err)
		}
		time.Sleep(50 * time.Millisecond)
		remove("whole")
		time.Sleep(101 * time.Millisecond)
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		last := map[string]*facetdv1.FrameSet{}
		restarts := 0
		for _, fs := range r.watch.sets {
			before := last[fs.GetTask()]
			last[fs.GetTask()] = fs
			if fs.GetTask() == "" || before == nil {
				continue
			}
			if fs.GetTask() == "soft" && fs.GetJob() == 0 { // added anew
				restarts++
				continue
			}
			if fs.GetJob() != before.GetJob()+1 || fs.GetFailure() != "" || fs.GetLate() || len(fs.GetFrames()) != 3 {
				t.Fatalf("%s after job %d: %v", fs.GetTask(), before.GetJob(), fs)
			}
			apart := time.Duration(fs.GetReleaseBusNs() - before.GetReleaseBusNs())
			if apart > 20*time.Millisecond+r.board.plan.InitializationTime {
				t.Errorf("jobs of %s are released %v apart", fs.GetTask(), apart)
			}
		}
		// A task that is added or changed begins on the grid of the others, so up to a period after the change. Of the
		// last one in 101 ms at 100 Hz that leaves 10 jobs at least, in 101 ms at 50 Hz 5, in 50 + 101 ms at 100 Hz 15:
		// the last has number 29, or 28 where that is still open at the end.
		if restarts != 10 || last["whole"].GetJob() < 250 || last["soft"].GetJob() < 28 {
			t.Errorf("%d restarts; last job of whole %d, of soft %d", restarts, last["whole"].GetJob(),
				last["soft"].GetJob())
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}

// TestSharedJobFails: a job that fails fails for every task that shares it, with the
// cause, and none is lost.
func TestSharedJobFails(t *testing.T) {
	r := newRig(t, free, firstStart.Elapsed()+200*time.Millisecond, func(b bus.BusCloser) bus.BusCloser {
		return failing(b, func(n int) bool { return n == 7 })
	}, sharer("whole", 0, wholeView), sharer("soft", 0, softView))
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"whole", "soft"} {
		failed := 0
		sets := r.watch.of(name)
		for i, fs := range sets {
			if fs.GetJob() != uint64(i) || fs.GetFailure() != "" && fs.GetFailure() != "a wire came off" {
				t.Errorf("%s job %d: %v", name, i, fs)
			}
			if fs.GetFailure() != "" {
				failed++
			}
		}
		if failed != 1 || len(sets) < 19 {
			t.Errorf("%s: %d jobs, %d failed", name, len(sets), failed)
		}
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}
