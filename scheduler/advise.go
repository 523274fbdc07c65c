package scheduler

import (
	"fmt"
	"math"

	facetdv1 "facetd.example/api/facetd/v1"
)

// advise finds pairs of bus jobs that could share one load and do not, because the
// tries of those that share by themselves are bounded. Every pair was planned beside
// the other tasks.
func (p *planner) advise(at *attempt) []*facetdv1.Advice {
	var out []*facetdv1.Advice
	for i, x := range p.tasks {
		for j, y := range p.tasks {
			if i == j || at.cad.jobs[i] != at.cad.jobs[j] || !y.mayFollow(x) || i > j && x.mayFollow(y) {
				continue
			}
			saved := p.use(at) - p.useMerged(i, j)
			if saved < 1e-9 {
				continue
			}
			out = append(out, &facetdv1.Advice{
				Tasks: []string{x.Name, y.Name}, SavedShare: saved,
				Message: fmt.Sprintf("tasks %s and %s load the same chips at the same rate: as views of one task they would share the load and save %.2g %% of the bus",
					x.Name, y.Name, 100*saved),
			})
		}
	}
	return out
}

// useMerged plans with two bus jobs made one. It returns the share of the bus that is
// used then, infinite where the tasks do not fit.
func (p *planner) useMerged(first, second int) float64 {
	tasks := []*Task{share(p.tasks[first], p.tasks[second])}
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
