package scheduler

import (
	"fmt"
	"slices"
	"strings"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/scheduler/timetable"
)

// Millis writes a time in milliseconds, or microseconds below one.
func Millis(d time.Duration) string {
	if d.Abs() < time.Millisecond {
		return fmt.Sprintf("%.4g us", float64(d)/1e3)
	}
	return fmt.Sprintf("%.4g ms", float64(d)/1e6)
}

// ticks is Millis for the ticks of a timetable, which are nanoseconds.
func ticks(n int64) string { return Millis(time.Duration(n)) }

// reject finds tasks that fit in no table, with whole jobs or cut ones: cutting only adds bus time.
func (p *planner) reject(cad *cadence) *facetdv1.Refusal {
	for i, t := range p.tasks {
		need, have := int64(p.whole[i].Total()), cad.window(i)
		if need > have {
			limit := "period"
			if t.OwnDeadline && cad.deadlines[i] <= have {
				limit = "deadline"
			}
			return &facetdv1.Refusal{
				Reason: facetdv1.RefusalReason_REFUSAL_REASON_JOB_TOO_LONG, Task: t.Name,
				NeededNs: need, AvailableNs: have, Utilization: p.utilization(cad),
				Message: fmt.Sprintf("reading %s takes %s, but its %s is %s", t.Name, ticks(need), limit, ticks(have)),
			}
		}
	}
	u := p.utilization(cad)
	if u <= 1 {
		return p.sharedChips(cad)
	}
	var parts []string
	for i, t := range p.tasks {
		one := float64(p.whole[i].Total()) * float64(cad.jobs[i]) / float64(cad.hyperperiod)
		part := fmt.Sprintf("%s %.1f %%", t.Name, 100*one)
		if real := cad.rateHz(i); real > t.RateHz*(1+1e-6) {
			part += fmt.Sprintf(" at %.6g Hz", real)
		}
		parts = append(parts, part)
	}
	return &facetdv1.Refusal{
		Reason:   facetdv1.RefusalReason_REFUSAL_REASON_UTILIZATION,
		NeededNs: int64(u * float64(cad.hyperperiod)), AvailableNs: cad.hyperperiod, Utilization: u,
		Message: fmt.Sprintf("the tasks ask for %.1f %% of the bus: %s", 100*u, strings.Join(parts, ", ")),
	}
}

// sharedChips finds a task whose jobs are longer than what another task on some of the same chips leaves free: cutting
// does not help, because no other job may touch the chips between two segments of a job.
func (p *planner) sharedChips(cad *cadence) *facetdv1.Refusal {
	for i, t := range p.tasks {
		need := int64(p.whole[i].Total())
		for j, other := range p.tasks {
			gap := p.gap(cad, j)
			if i == j || need <= gap {
				continue
			}
			k := slices.IndexFunc(t.Touches, func(c int) bool { return slices.Contains(other.Touches, c) })
			if k < 0 {
				continue
			}
			return &facetdv1.Refusal{
				Reason: facetdv1.RefusalReason_REFUSAL_REASON_DEADLINE, Task: t.Name,
				NeededNs: need, AvailableNs: gap, Utilization: p.utilization(cad),
				Message: fmt.Sprintf("reading %s takes %s, but task %s, which reads chip %s too, leaves at most %s "+
					"between its jobs",
					t.Name, ticks(need), other.Name, p.array.Chips[t.Touches[k]].Name, ticks(gap)),
			}
		}
	}
	return nil
}

// explain says in numbers why the finest attempt did not fit.
func (p *planner) explain(cad *cadence, f *failure, undecided bool) *facetdv1.Refusal {
	r := &facetdv1.Refusal{Reason: facetdv1.RefusalReason_REFUSAL_REASON_DEADLINE, Utilization: p.utilization(cad)}
	over := ""
	for f.coarser != nil && f.result.Method == timetable.MethodUtilization {
		u, _ := f.result.Utilization.Float64()
		over = fmt.Sprintf("; cut into shorter pieces the jobs would take %.1f %% of the bus", 100*u)
		f = f.coarser
	}
	for f.coarser != nil && f.result.Method == timetable.MethodQueue {
		over = "; cut into shorter pieces the jobs would be more segments than the queue of the bus has places for"
		f = f.coarser
	}
	defer func() { r.Message += over }()
	if p.inTheWay(cad, f, r) {
		return r
	}
	w := f.result.Witness
	if w == nil {
		w = &timetable.Witness{Message: "no start times were found"}
	}
	r.Message, r.Task, r.NeededNs, r.AvailableNs = w.Message, w.Task, w.Needed, w.Available
	switch {
	case f.result.Method == timetable.MethodQueue:
		r.Reason = facetdv1.RefusalReason_REFUSAL_REASON_QUEUE
	case undecided && p.opt.Queue.Limits():
		r.Reason = facetdv1.RefusalReason_REFUSAL_REASON_UNDECIDED
		r.Message = fmt.Sprintf("at %.1f %% of the bus, %s", 100*r.Utilization, w.Message)
	case undecided:
		r.Reason = facetdv1.RefusalReason_REFUSAL_REASON_UNDECIDED
		r.Message = fmt.Sprintf("no timetable was found at %.1f %% of the bus, and the search ended before it could "+
			"rule one out: %s", 100*r.Utilization, w.Message)
	}
	return r
}

// inTheWay finds a segment of one task that is longer than what another task, read in one piece, can leave free between
// two of its jobs, and puts the worst such case into the refusal. That names both tasks, which a witness of the
// timetable may not.
func (p *planner) inTheWay(cad *cadence, f *failure, r *facetdv1.Refusal) bool {
	for i, t := range p.tasks {
		long := int64(f.programs[i].Longest())
		for j, other := range p.tasks {
			gap := p.gap(cad, j)
			if i == j || len(f.programs[j].Segments) > 1 || long <= gap || long <= r.NeededNs {
				continue
			}
			piece := "reading " + t.Name
			if len(f.programs[i].Segments) > 1 {
				piece = "a piece of reading " + t.Name + ", cut as short as it can be,"
			}
			r.Task, r.NeededNs, r.AvailableNs = t.Name, long, gap
			r.Message = fmt.Sprintf("%s takes %s, but task %s leaves at most %s between its jobs", piece, ticks(long),
				other.Name, ticks(gap))
		}
	}
	return r.Message != ""
}
