package replay

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// A sporadic task that is played has the promise of its timetable, and a trigger for each job; a task with a rate has
// neither.
func TestSporadicTasksArePlayed(t *testing.T) {
	s := &state{}
	s.planChanged(&facetdv1.Plan{
		Tasks: []*facetdv1.Task{{Name: "ring", RateHz: 5}, {Name: "flash", LeastInterval: durationpb.New(time.Second)}},
		Predictions: []*facetdv1.Prediction{{Task: "ring", PlannedRateHz: 5, WorstResponseNs: 1},
			{Task: "flash", PlannedRateHz: 6, WorstResponseNs: 200}},
	}, 0, 0, true)
	for job := range uint64(3) {
		s.jobEnded(&facetdv1.FrameSet{Task: "flash", Job: job, Failure: []string{"", "", "the bus went away"}[job]})
		s.jobEnded(&facetdv1.FrameSet{Task: "ring", Job: job})
	}
	tasks := s.snapshot().Tasks
	if ring := tasks[0].GetStatus(); ring.GetTriggers() != 0 || ring.GetPromisedResponseNs() != 0 {
		t.Errorf("a task with a rate: %v", ring)
	}
	if flash := tasks[1].GetStatus(); flash.GetTriggers() != 3 || flash.GetPromisedResponseNs() != 200 {
		t.Errorf("a sporadic task: %v", flash)
	}
}
