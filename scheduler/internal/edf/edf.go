// Package timetable is a plain non-preemptive EDF simulation. It stands in until
// scheduler/timetable, with its proofs and its search, is there: where EDF misses a
// deadline it answers Unknown.
package timetable

import (
	"cmp"
	"fmt"
	"slices"
)

type Verdict int

const (
	Unknown Verdict = iota
	Feasible
	Infeasible
)

type Job struct {
	Task, Number      int
	Release, Deadline int64
	Costs             []int64
	Resources         []int
	Within            []int64
}
type Options struct{}
type Placement struct {
	Task, Number, Segment int
	Start, End            int64
}
type Table struct {
	Hyperperiod int64
	Placements  []Placement
}
type Result struct {
	Verdict     Verdict
	Method      string
	Table       Table
	Witness     string
	Utilization float64
}

type running struct {
	*Job
	next  int
	start int64
}

// Plan simulates; ties go to the lower task.
func Plan(names []string, hyperperiod int64, jobs []Job, _ Options) (Result, error) {
	order := make([]*running, len(jobs))
	for i := range jobs {
		order[i] = &running{Job: &jobs[i]}
	}
	slices.SortStableFunc(order, func(x, y *running) int { return cmp.Compare(x.Release, y.Release) })
	res := Result{Verdict: Feasible, Method: "non-preemptive EDF over the hyperperiod", Table: Table{Hyperperiod: hyperperiod}}
	holder := map[int]*running{}
	var ready []*running
	var now int64
	for len(order) > 0 || len(ready) > 0 {
		for len(order) > 0 && order[0].Release <= now {
			ready, order = append(ready, order[0]), order[1:]
		}
		best := -1
		for i, r := range ready {
			free := !slices.ContainsFunc(r.Resources, func(c int) bool { return holder[c] != nil && holder[c] != r })
			if free && (best < 0 || cmp.Or(cmp.Compare(r.Deadline, ready[best].Deadline), cmp.Compare(r.Task, ready[best].Task)) < 0) {
				best = i
			}
		}
		if best < 0 {
			now = order[0].Release
			continue
		}
		r := ready[best]
		s := r.next
		if s == 0 {
			r.start = now
			for _, c := range r.Resources {
				holder[c] = r
			}
		}
		end := now + r.Costs[s]
		res.Table.Placements = append(res.Table.Placements, Placement{r.Task, r.Number, s, now, end})
		late := end > r.Deadline
		if late || (r.Within != nil && r.Within[s] > 0 && end > r.start+r.Within[s]) {
			res.Verdict = Unknown
			res.Witness = fmt.Sprintf("job %d of task %s would end its segment %d at %d ns, too late, under non-preemptive EDF", r.Number, names[r.Task], s, end)
			return res, nil
		}
		r.next++
		now = end
		if r.next == len(r.Costs) {
			ready = slices.Delete(ready, best, best+1)
			for _, c := range r.Resources {
				delete(holder, c)
			}
		}
	}
	return res, nil
}
