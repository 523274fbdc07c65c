// Package timetable is a plain non-preemptive EDF simulation. It stands in until
// scheduler/timetable, with its proofs and its search, is there.
package timetable

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
	Table       *Table
	Witness     string
	Utilization float64
}

func Plan(names []string, h int64, jobs []Job, o Options) (Result, error) {
	var t Table
	t.Hyperperiod = h
	seg := make([]int, len(jobs))
	start := make([]int64, len(jobs))
	now := int64(0)
	left := len(jobs)
	for left > 0 {
		best := -1
		next := int64(1 << 62)
		for i, j := range jobs {
			if seg[i] == len(j.Costs) {
				continue
			}
			if j.Release > now {
				next = min(next, j.Release)
				continue
			}
			if seg[i] == 0 && len(j.Resources) > 0 {
				blocked := false
				for k, q := range jobs {
					if k != i && seg[k] > 0 && seg[k] < len(q.Costs) {
						for _, a := range q.Resources {
							for _, b := range j.Resources {
								blocked = blocked || a == b
							}
						}
					}
				}
				if blocked {
					continue
				}
			}
			if best < 0 || j.Deadline < jobs[best].Deadline {
				best = i
			}
		}
		if best < 0 {
			now = next
			continue
		}
		j := jobs[best]
		s := seg[best]
		if s == 0 {
			start[best] = now
		}
		end := now + j.Costs[s]
		t.Placements = append(t.Placements, Placement{j.Task, j.Number, s, now, end})
		if end > j.Deadline || (j.Within != nil && j.Within[s] > 0 && end > start[best]+j.Within[s]) {
			return Result{Verdict: Infeasible, Witness: "a job misses its deadline under non-preemptive earliest deadline first"}, nil
		}
		seg[best]++
		now = end
		if seg[best] == len(j.Costs) {
			left--
		}
	}
	return Result{Verdict: Feasible, Method: "non-preemptive EDF over the hyperperiod", Table: &t}, nil
}
