package scheduler_test

import (
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/scheduler"
)

// TestRaisedRatesKeepTheirDeadlines: where a rate is raised by a hair to find a table, a task still has the deadline
// that it was given, and what is told of its slack is by that.
func TestRaisedRatesKeepTheirDeadlines(t *testing.T) {
	a := bench(t, [5]int{4, 0, 3, 0, 1})
	const deadline = 1_861_932 * time.Nanosecond
	specs := []*facetdv1.Task{with(task("fast", "hexs", 512), func(x *facetdv1.Task) { x.Deadline = dur(deadline) }),
		task("ring", "mems", 10)}
	p := scheduler.RaisedPlan(t, a, specs)
	checkPlan(t, p)
	for _, e := range p.Entries {
		if p.Tasks[e.Task].Task.Name == "fast" && e.Deadline-e.Release != deadline {
			t.Fatalf("job %d has %v to its deadline, the task was given %v", e.Job, e.Deadline-e.Release, deadline)
		}
	}
}
