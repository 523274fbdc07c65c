package scheduler

import (
	"fmt"
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// droppable is a limit that may keep tasks from sharing a load. of is 0 where a task
// has none.
type droppable struct {
	name string
	of   func(*Task) time.Duration
	drop func(*Task)
}

var droppables = []droppable{
	{"max_hold", func(t *Task) time.Duration { return t.MaxHold }, func(t *Task) { t.MaxHold, t.Spec.MaxHold = 0, nil }},
	{"max_skew", func(t *Task) time.Duration { return t.MaxSkew }, func(t *Task) { t.MaxSkew, t.Spec.MaxSkew = 0, nil }},
	{"deadline", func(t *Task) time.Duration { return t.Spec.GetDeadline().AsDuration() }, func(t *Task) {
		t.Deadline, t.Spec.Deadline = time.Duration(floorRat(periodOf(t.Spec.GetRateHz()))), nil
	}},
}

// advise finds pairs of bus jobs that would share a load if it were not for one of
// their limits. Every pair was planned without it, beside the other tasks; how many
// are is bounded.
func (p *planner) advise(at *attempt) []*facetdv1.Advice {
	var out []*facetdv1.Advice
	tries := 0
	for i, x := range p.tasks {
		for j, y := range p.tasks {
			if i == j || !y.mayFollow(x) || i > j && x.mayFollow(y) {
				continue
			}
			for _, limit := range droppables {
				both := share(x, y)
				tight := limit.of(both)
				if tight == 0 || tries == maxShareTries {
					continue
				}
				tries++
				limit.drop(both)
				saved := p.use(at) - p.useWith(i, j, both)
				if saved < 1e-9 {
					continue
				}
				out = append(out, &facetdv1.Advice{
					Tasks: []string{x.Name, y.Name}, SavedShare: saved,
					Message: fmt.Sprintf("tasks %s and %s load the same chips at the same rate: without the %s of %s they would share the load and save %.2g %% of the bus",
						x.Name, y.Name, limit.name, Millis(int64(tight)), 100*saved),
				})
				break
			}
		}
	}
	return out
}

// useWith plans with one bus job instead of two. It returns the share of the bus that
// is used then, infinite where the tasks do not fit.
func (p *planner) useWith(first, second int, both *Task) float64 {
	tasks := []*Task{both}
	for i, t := range p.tasks {
		if i != first && i != second {
			tasks = append(tasks, t)
		}
	}
	sub := &planner{a: p.a, tasks: tasks, opt: p.opt, words: p.words, start: assumed(p.a, tasks), states: rateStates}
	if sub.prepare() != nil {
		return math.Inf(1)
	}
	cads, refusal := sub.cadences(sub.asked)
	if refusal != nil {
		return math.Inf(1)
	}
	found, refusal := sub.solveAny(cads)
	if refusal != nil {
		return math.Inf(1)
	}
	return sub.use(found)
}
