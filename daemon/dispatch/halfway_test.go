package dispatch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
)

var joinedView = &facetdv1.View{Name: "joined", Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}

// pairs are pairs of tasks on one chip, where the second relies on the registers that the first leaves.
func pairs() map[string][]*facetdv1.Task {
	task := func(name, chip string, rate float64, views ...*facetdv1.View) *facetdv1.Task {
		return &facetdv1.Task{Name: name, Target: list(chip), RateHz: rate, Views: views}
	}
	trimmed := &facetdv1.View{Name: "trimmed", Trim: &facetdv1.TrimSettings{GainIndex: 2}}
	return map[string][]*facetdv1.Task{
		"pixel switches": {task("first", "s0", 50, joinedView, wholeView), task("second", "s0", 10, wholeView)},
		"memory": {task("first", "m0", 50, softView, joinedView),
			task("second", "m0", 10, &facetdv1.View{Name: "joined", Binning: joinedView.Binning})},
		"counter":           {task("first", "t0", 50, trimmed, wholeView), task("second", "t0", 10, wholeView)},
		"one chip of three": {task("first", "m1", 50, softView, joinedView), memTask(25)},
	}
}

// TestHalfASegment breaks a segment of the first task off after each of its operations, once and several times in a
// row:
// what it left in the chip must not get into a frame of the other task, of which a job waits. The jobs that cannot be
// saved fail with a cause, none is lost, and soon all is well again.
func TestHalfASegment(t *testing.T) {
	for name, tasks := range pairs() {
		t.Run(name, func(t *testing.T) {
			clean := newRig(t, free, 0, nil, tasks...)
			ops := len(clean.runner.standing.plan.Tasks[0].Segments[0])
			hurt := 0
			for after := 1; after < ops; after++ {
				for _, times := range []int{1, 3} {
					hurt += breakOff(t, tasks, after, times)
				}
			}
			t.Logf("%d runs, %d jobs of others failed", 2*(ops-1), hurt)
		})
	}
}

// breakOff breaks segments of the first task off, and returns how many jobs of the other failed for it.
func breakOff(t *testing.T, tasks []*facetdv1.Task, after, times int) int {
	t.Helper()
	const until = 600 * time.Millisecond
	cause := errors.New("a wire came off")
	first := func(_ bus.Time, s *bus.Segment) bool { return s.Job.Task == tasks[0].GetName() && s.Index == 0 }
	r := newRig(t, free, until, func(b bus.BusCloser) bus.BusCloser {
		return bustest.NewFaulty(b,
			bustest.Fault{When: first, Skip: 5, Times: times, Err: cause, HalfWay: after})
	}, tasks...)
	what := fmt.Sprintf("%d segments broken off after %d operations", times, after)
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute) // a bus that is given up waits for it
	defer cancel()
	if err := r.Run(ctx); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("%s: rules violated: %v", what, r.watch.violations)
	}
	others := 0
	for i, task := range tasks {
		sets := r.watch.of(task.GetName())
		failed := 0
		for n, fs := range sets {
			if fs.GetJob() != uint64(n) || fs.GetLate() {
				t.Errorf("%s: job %d of %s: %v", what, n, task.GetName(), fs)
			}
			if fs.GetFailure() == "" {
				continue
			}
			if failed++; time.Duration(fs.GetReleaseBusNs()) > until/2+100*time.Millisecond {
				t.Errorf("%s: job %d of %s fails still: %s", what, n, task.GetName(), fs.GetFailure())
			}
		}
		if least := int(task.GetRateHz()*until.Seconds()) - 4; len(sets) < least {
			t.Errorf("%s: %d jobs of %s, want %d at least", what, len(sets), task.GetName(), least)
		}
		if i > 0 {
			others += failed
		} else if failed < times {
			t.Errorf("%s: %d jobs of %s failed, want %d", what, failed, task.GetName(), times)
		}
	}
	return others
}

// TestALateInitialization: on a bus that is slower than it says the initialization is late, and counted so.
func TestALateInitialization(t *testing.T) {
	r := newRig(t, free, 200*time.Millisecond, func(b bus.BusCloser) bus.BusCloser {
		return bustest.NewFaulty(b, bustest.Fault{
			When:  func(_ bus.Time, s *bus.Segment) bool { return s.Job.Task == "" },
			Delay: time.Millisecond,
		})
	}, memTask(100))
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
	if sets := r.watch.of("mem"); len(sets) < 15 ||
		slices.ContainsFunc(sets, func(fs *facetdv1.FrameSet) bool { return fs.GetLate() || fs.GetFailure() != "" }) {
		t.Errorf("%d jobs after a late initialization: %v", len(sets), sets)
	}
}
