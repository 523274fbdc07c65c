package scheduler

import (
	"fmt"
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/scheduler/program"
)

// droppable is a limit that may keep the loads of tasks from being merged. of is 0 for a task without it.
type droppable struct {
	name string
	of   func(*program.Task) time.Duration
	drop func(*program.Task)
}

var droppables = []droppable{
	{"max_hold", func(t *program.Task) time.Duration { return t.MaxHold }, func(t *program.Task) { t.MaxHold = 0 }},
	{"max_skew", func(t *program.Task) time.Duration { return t.MaxSkew }, func(t *program.Task) { t.MaxSkew = 0 }},
	{"deadline", func(t *program.Task) time.Duration {
		if !t.OwnDeadline {
			return 0
		}
		return t.Deadline
	}, func(t *program.Task) { *t = *t.WithoutDeadline() }},
}

// advise finds pairs of bus jobs whose loads could be merged if it were not for one of their limits. What it promises
// has been planned: each pair without the limit, beside the other tasks. At most maxMergeTries are, since each takes as
// long as a plan.
func (p *planner) advise(at *attempt) []*facetdv1.Advice {
	var out []*facetdv1.Advice
	tries := 0
	for i, x := range p.tasks {
		for j, y := range p.tasks {
			if i == j || !y.MayFollow(x) || i > j && x.MayFollow(y) {
				continue
			}
			for _, limit := range droppables {
				both := program.Merge(x, y)
				tight := limit.of(both)
				if tight == 0 || tries == maxMergeTries {
					continue
				}
				tries++
				limit.drop(both)
				saved := p.use(at) - p.useWith(i, j, both)
				if saved < 1e-9 {
					continue
				}
				out = append(out, &facetdv1.Advice{
					Tasks: []string{x.Name, y.Name}, SavedUtilization: saved,
					Message: fmt.Sprintf("tasks %s and %s load the same chips at the same rate: without the %s of "+
						"%s one load would serve both and save %.2g %% of the bus",
						x.Name, y.Name, limit.name, Millis(tight), 100*saved),
				})
				break
			}
		}
	}
	return out
}

// useWith plans with one bus job instead of two. It returns the fraction of bus time
// that is used then, infinite where the tasks do not fit.
func (p *planner) useWith(first, second int, both *program.Task) float64 {
	tasks := []*program.Task{both}
	for i, t := range p.tasks {
		if i != first && i != second {
			tasks = append(tasks, t)
		}
	}
	sub, found := p.fit(tasks, rateStates)
	if found == nil {
		return math.Inf(1)
	}
	return sub.use(found)
}
