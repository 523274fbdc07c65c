package dispatch

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
)

// TestRecalledSegmentsTakeNoPlaces: a job fails again and again, and what was handed over behind it is recalled. That
// makes no later job of other chips later than predicted, though the table needs nearly all places of the queue.
func TestRecalledSegmentsTakeNoPlaces(t *testing.T) {
	for name, hz := range map[string]float64{"5 ms, a queue of four": 200, "1 ms, a queue of two": 300,
		"50 ms, a queue of sixteen": 200} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				tasks := []*facetdv1.Task{{Name: "fails", Target: list("c0"), RateHz: 5},
					{Name: "goes-on", Target: list("m1"), RateHz: hz}}
				failed := 0
				r, _ := farRig(t, realtime, 0, far[name], func(b bus.BusCloser) bus.BusCloser {
					return bustest.NewFaulty(b, bustest.Fault{When: func(_ bus.Time, s *bus.Segment) bool {
						hit := s.Job.Task == "fails" && s.Job.Number%2 == 1
						if hit {
							failed++
						}
						return hit
					}, Err: errors.New("a wire came off")})
				}, tasks...)
				ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
				defer cancel()
				if err := r.Run(ctx); err != nil {
					t.Fatal(err)
				}
				lost := lateOrLost(t, r, tasks[1:])
				t.Logf("%d failed, %d others with them", failed, lost)
				if failed < 4 {
					t.Errorf("%d jobs failed", failed)
				}
			})
		})
	}
}

// lateOrLost checks that no job of some tasks is late, and counts those that failed.
func lateOrLost(t *testing.T, r *rig, tasks []*facetdv1.Task) (lost int) {
	t.Helper()
	for i, task := range tasks {
		most := r.Snapshot().Plan.GetPredictions()[i+1].GetWorstResponseNs()
		for _, fs := range r.watch.of(task.GetName()) {
			if fs.GetLate() {
				t.Errorf("job %d of %s is late by %v", fs.GetJob(), task.GetName(),
					time.Duration(fs.GetFinishBusNs()-fs.GetDeadlineBusNs()))
			}
			if took := fs.GetFinishBusNs() - fs.GetReleaseBusNs(); fs.GetFailure() == "" && took > most {
				t.Errorf("job %d of %s took %v of %v", fs.GetJob(), task.GetName(), time.Duration(took),
					time.Duration(most))
			}
			if fs.GetFailure() != "" {
				lost++
			}
		}
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
	return lost
}
