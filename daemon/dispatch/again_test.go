package dispatch

import (
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
)

// longQueues are limits of buses that are given much ahead of time.
var longQueues = map[string]bus.Limits{
	"1 ms, a queue of sixteen":  {LeastLead: time.Millisecond, Queue: 16},
	"5 ms, a queue of sixty":    {LeastLead: 5 * time.Millisecond, Queue: 60},
	"20 ms, a queue of hundred": {LeastLead: 20 * time.Millisecond, Queue: 100},
	"50 ms, a queue of hundred": {LeastLead: 50 * time.Millisecond, Queue: 100},
}

// failThrice runs two tasks of which three jobs of one fail, far apart, half-way or before their first operation. It
// returns when they did, and the frame sets of both.
func failThrice(t *testing.T, limits bus.Limits, task string, halfWay int) ([]bus.Time, []*facetdv1.FrameSet) {
	t.Helper()
	var failed []bus.Time
	r, _ := farRig(t, realtime, 2*time.Second, limits, func(b bus.BusCloser) bus.BusCloser {
		return bustest.NewFaulty(b, bustest.Fault{When: func(at bus.Time, s *bus.Segment) bool {
			hit := s.Job.Task == task && at > 300e6 && len(failed) < 3 &&
				(len(failed) == 0 || at.Sub(failed[len(failed)-1]) > 400*time.Millisecond)
			if hit {
				failed = append(failed, at)
			}
			return hit
		}, Err: errors.New("a wire came off"), HalfWay: halfWay})
	}, memTask(100), countTask(50))
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if len(failed) != 3 || len(r.watch.violations) > 0 {
		t.Errorf("%d segments failed, and rules were violated: %v", len(failed), r.watch.violations)
	}
	return failed, append(r.watch.of("mem"), r.watch.of("count")...)
}

// TestRecalledJobsAreHandedOverAgain: of the jobs on other chips that were recalled as one before them failed, those
// fail as well that begin before they can be handed over again, and no others.
func TestRecalledJobsAreHandedOverAgain(t *testing.T) {
	for name, limits := range longQueues {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				failed, sets := failThrice(t, limits, "count", 0)
				// A failure is known at the end of its segment, and handing over takes the lead.
				noneAfter(t, failed, of(sets, "mem"), limits.LeastLead+time.Millisecond)
			})
		})
	}
}

// TestRestoredBeforeRecalledJobs: where a job broke off half-way, the registers of its chips are restored between what
// is handed over again, and not only behind it.
func TestRestoredBeforeRecalledJobs(t *testing.T) {
	for name, limits := range longQueues {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				failed, sets := failThrice(t, limits, "mem", 3)
				noneAfter(t, failed, of(sets, "mem"), leadOf(limits)+11*time.Millisecond) // the next job after that
				noneAfter(t, failed, of(sets, "count"), limits.LeastLead+time.Millisecond)
			})
		})
	}
}

// of are the frame sets of a task.
func of(sets []*facetdv1.FrameSet, task string) []*facetdv1.FrameSet {
	return slices.DeleteFunc(slices.Clone(sets), func(fs *facetdv1.FrameSet) bool { return fs.GetTask() != task })
}

// noneAfter checks that no job failed that was released later than so long after a failure.
func noneAfter(t *testing.T, failed []bus.Time, sets []*facetdv1.FrameSet, within time.Duration) {
	t.Helper()
	for _, fs := range sets {
		last := bus.Time(0)
		for _, at := range failed {
			if at <= bus.Time(fs.GetReleaseBusNs())+bus.Time(time.Millisecond) {
				last = at
			}
		}
		after := bus.Time(fs.GetReleaseBusNs()).Sub(last)
		if fs.GetFailure() != "" && fs.GetFailure() != "the daemon stopped" && after > within {
			t.Errorf("job %d of %s, %v after a failure: %s", fs.GetJob(), fs.GetTask(), after, fs.GetFailure())
		}
	}
}
