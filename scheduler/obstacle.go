package scheduler

import (
	"fmt"
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/scheduler/program"
)

// obstacle proves that no rate of a task fits beside the others as asked, and names the task that is in the way: the
// task itself, where it cannot keep its own deadline; one that leaves no time for a job on the same chips; or one
// without which the others, which do not fit even without the task, would. Both are empty where nothing is proved.
func (p *remedies) obstacle(task int, others *cadence) (witness, inTheWay string) {
	t, need := p.tasks[task], int64(p.whole[task].Total())
	if own := int64(t.Deadline); t.OwnDeadline && own < need {
		return fmt.Sprintf("reading %s takes %s, but its deadline is %s", t.Name, ticks(need), ticks(own)), t.Name
	}
	rest := slices.Delete(slices.Clone(p.tasks), task, task+1)
	if len(rest) == 0 {
		return "", ""
	}
	refusal := p.refusalOf(rest)
	if refusal != nil && refusal.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_UNDECIDED {
		return "without it too, " + refusal.GetMessage(), p.culprit(rest, refusal.GetTask())
	}
	for j, other := range p.tasks {
		if j == task {
			continue
		}
		gap := p.gap(others, j)
		k := slices.IndexFunc(t.Chips, func(c int) bool { return slices.Contains(other.Chips, c) })
		if k >= 0 && need > gap {
			return fmt.Sprintf("reading %s takes %s, but task %s, which reads chip %s too, leaves at most %s between "+
				"its jobs", t.Name, ticks(need), other.Name, p.array.Chips[t.Chips[k]].Name, ticks(gap)), other.Name
		}
	}
	return p.noRoom(task, others)
}

// noRoom proves that the others leave no room for a single piece of a task, whatever its rate.
func (p *remedies) noRoom(task int, others *cadence) (witness, inTheWay string) {
	if others.grain > 1 {
		return "", ""
	}
	demand, pieces := p.relaxations(task, others)
	cost := pieces.Cost
	if !pieces.NoRoom() {
		if cost = demand.Cost; !demand.NoRoom() {
			return "", ""
		}
	}
	least := func(i int) int64 { return int64(p.whole[i].Total()) * others.jobs[i] }
	worst := -1
	for i := range p.tasks {
		if i != task && (worst < 0 || least(i) > least(worst)) {
			worst = i
		}
	}
	return fmt.Sprintf("the other tasks leave no room for %s of reading %s in any timetable", ticks(cost),
		p.tasks[task].Name), p.tasks[worst].Name
}

// refusalOf plans tasks in place of the planner's own, without any advice; nil where they fit.
func (p *remedies) refusalOf(tasks []*program.Task) *facetdv1.Refusal {
	sub, refusal := newPlanner(p.words, tasks, p.opt)
	if refusal != nil {
		return refusal
	}
	sub.states = p.states
	cads, refusal := sub.cadences(tasks)
	if refusal != nil {
		return refusal
	}
	_, refusal = sub.solveAny(cads)
	return refusal
}

// culprit is the task without which tasks that do not fit do, the busiest of several; else the one that was named, or
// the busiest of all.
func (p *remedies) culprit(tasks []*program.Task, named string) string {
	use := func(t *program.Task) float64 {
		return float64(p.whole[slices.Index(p.tasks, t)].Total()) * t.RateHz
	}
	busiest := func(tasks []*program.Task) string {
		return slices.MaxFunc(tasks, func(x, y *program.Task) int {
			if use(x) < use(y) {
				return -1
			}
			return 1
		}).Name
	}
	var alone []*program.Task
	for i, t := range tasks {
		rest := slices.Delete(slices.Clone(tasks), i, i+1)
		if len(rest) == 0 || p.refusalOf(rest) == nil {
			alone = append(alone, t)
		}
	}
	switch {
	case len(alone) > 0:
		return busiest(alone)
	case named != "":
		return named
	}
	return busiest(tasks)
}
