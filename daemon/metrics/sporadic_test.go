package metrics

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/dispatch"
)

// A sporadic task that nobody triggers is all right: nothing is exposed of it by which an alert would call it stale,
// slower than planned, or planned faster than asked for. A task with a rate beside it has all that.
func TestASporadicTaskMayRest(t *testing.T) {
	m := New("1.2.3")
	now := time.Unix(1000, 0)
	m.clock = func() time.Time { return now }
	m.PlanChanged(planOf("ring", "flash"), 0, 0)
	m.JobEnded(job("ring", 1, 1, 1))
	m.JobEnded(job("flash", 1, 1, 1))
	now = now.Add(time.Hour)
	m.SetSource(Source{Snapshot: func() dispatch.Snapshot {
		return dispatch.Snapshot{Tasks: []*facetdv1.RunningTask{
			{Task: &facetdv1.Task{Name: "ring", RateHz: 5},
				Status: &facetdv1.TaskStatus{RequestedRateHz: 5, PlannedRateHz: 5}},
			{Task: &facetdv1.Task{Name: "flash", LeastInterval: durationpb.New(time.Second)},
				Status: &facetdv1.TaskStatus{PlannedRateHz: 6}},
		}}
	}})
	text := exposition(t, m)
	for _, name := range []string{nameRequestedRate, namePlannedRate, nameFrameAge} {
		if !strings.Contains(text, name+`{task="ring"}`) {
			t.Errorf("%s of the task with a rate is missing", name)
		}
		if strings.Contains(text, name+`{task="flash"}`) {
			t.Errorf("%s of the sporadic task is exposed", name)
		}
	}
	for _, kept := range []string{nameAchievedRate, nameWorstResponse} {
		if !strings.Contains(text, kept+`{task="flash"}`) {
			t.Errorf("%s of the sporadic task is missing", kept)
		}
	}
}
