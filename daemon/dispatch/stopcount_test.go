package dispatch

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// TestAStopCountsWhatWaits: a job that was released before a safe stop, and waits for the bus, fails with the stop's
// cause like those that have begun; what would be released later is not.
func TestAStopCountsWhatWaits(t *testing.T) {
	for after := 20 * time.Millisecond; after < 20_800*time.Microsecond; after += 23 * time.Microsecond {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t, realtime, 0, nil, memTask(100), countTask(40),
				&facetdv1.Task{Name: "other", Target: list("s0"), RateHz: 20})
			r.stopAt(t, after)
		})
	}
}

func (r *rig) stopAt(t *testing.T, after time.Duration) {
	t.Helper()
	end := r.begin(t)
	time.Sleep(after)
	asked := r.bus.Now()
	stop := r.SafeStop(t.Context(), ask("ada", "a cable is loose"))
	confirmed(t, stop)
	tab := r.runner.tab
	released := uint64(0)
	for cycle := tab.epoch; tab.plan != nil && cycle < asked; cycle = cycle.Add(tab.plan.Hyperperiod) {
		for _, e := range tab.plan.Entries {
			if e.Segment == 0 && cycle.Add(e.Release) < asked {
				released += uint64(len(tab.plan.Tasks[e.Task].Members))
			}
		}
	}
	var ended, failed uint64
	for _, fs := range slices.Concat(r.watch.of("mem"), r.watch.of("count"), r.watch.of("other")) {
		ended++
		if fs.GetFailure() != "" {
			if failed++; !strings.Contains(fs.GetFailure(), "a cable is loose") ||
				bus.Time(fs.GetReleaseBusNs()) >= asked {
				t.Errorf("job %d of %s, released at %d, stopped at %v: %q", fs.GetJob(), fs.GetTask(),
					fs.GetReleaseBusNs(), asked, fs.GetFailure())
			}
		}
	}
	if ended != released || failed != stop.JobsFailed {
		t.Errorf("stopped after %v: %d jobs were released, %d have ended, %d failed, %d are counted with the stop",
			after,
			released, ended, failed, stop.JobsFailed)
	}
	if _, _, err := r.Resume(t.Context(), stop.Revision); err != nil {
		t.Fatal(err)
	}
	time.Sleep(100 * time.Millisecond)
	if err := end(); err != nil {
		t.Fatal(err)
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}

// TestBothWhoStopAreAnswered: who asks for a stop hears of the lines when they are released, also where somebody else
// has asked with other words meanwhile.
func TestBothWhoStopAreAnswered(t *testing.T) {
	box := &mailbox{}
	lines := LineRelease{State: facetdv1.LineState_LINE_STATE_CONFIRMED}
	for round := range 2 {
		_, first := box.stopFor(ask("ada", fmt.Sprint("a cable is loose ", round)))
		revision, second := box.stopFor(ask("bo", fmt.Sprint("smoke ", round)))
		box.released(revision, lines, 0, 0)
		for who, released := range map[string]<-chan struct{}{"ada": first, "bo": second} {
			select {
			case <-released:
			default:
				t.Errorf("%s still waits in round %d", who, round)
			}
		}
	}
}
