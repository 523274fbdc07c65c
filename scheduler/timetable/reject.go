package timetable

import (
	"cmp"
	"fmt"
	"slices"
)

// maxWindows is the most jobs for which demand is tested from every release, not
// only from 0: that test takes the square of their number.
const maxWindows = 2000

// reject looks for a quick proof that the jobs do not fit. Every test is a
// necessary condition of any schedule whatever.
func (p *problem) reject() (*Witness, string) {
	if total := p.total(); total > p.h {
		return &Witness{
			Message: fmt.Sprintf("the tasks ask for %s of bus time in every %s", p.opt.time(total), p.opt.time(p.h)),
			Needed:  total, Available: p.h,
		}, MethodUtilization
	}
	for _, test := range []struct {
		run    func() *Witness
		method string
	}{{p.rejectWindow, MethodWindow}, {p.rejectGap, MethodGap}, {p.rejectDemand, MethodDemand}} {
		if w := test.run(); w != nil {
			return w, test.method
		}
	}
	return nil, ""
}

// rejectWindow finds a job that takes longer than the time between its release
// and its deadline.
func (p *problem) rejectWindow() *Witness {
	for i := range p.jobs {
		j := &p.jobs[i]
		if c, have := j.total(), j.Deadline-j.Release; c > have {
			return &Witness{
				Message: fmt.Sprintf("a job of task %s takes %s, but must be done within %s", p.name(j), p.opt.time(c), p.opt.time(have)),
				Task:    p.name(j), Needed: c, Available: have,
			}
		}
	}
	return nil
}

// rejectGap finds a segment that fits in no gap of another task: between two jobs
// of one segment each, the earlier ending as early and the later starting as late
// as it can.
func (p *problem) rejectGap() *Witness {
	for other, list := range p.byTask {
		if len(list) == 0 || !p.ordered[other] || slices.ContainsFunc(list, func(i int) bool { return len(p.jobs[i].Costs) > 1 }) {
			continue
		}
		var gap, free int64 // free: earliest end of the job before
		for _, i := range list {
			j := &p.jobs[i]
			gap = max(gap, j.Deadline-j.Costs[0]-free)
			free = max(free, j.Release) + j.Costs[0]
		}
		gap = max(gap, p.h-free)
		for i := range p.jobs {
			j := &p.jobs[i]
			if longest := slices.Max(j.Costs); j.Task != other && longest > gap {
				return &Witness{
					Message: fmt.Sprintf("an uninterrupted piece of task %s takes %s, but task %s leaves at most %s between its jobs",
						p.name(j), p.opt.time(longest), p.names[other], p.opt.time(gap)),
					Task: p.name(j), Other: p.names[other], Needed: longest, Available: gap,
				}
			}
		}
	}
	return nil
}

// rejectDemand finds a stretch from a release to a deadline in which more has to
// be done than it lasts.
func (p *problem) rejectDemand() *Witness {
	byDeadline := make([]int, len(p.jobs))
	starts := []int64{0}
	for i := range byDeadline {
		byDeadline[i] = i
		if len(p.jobs) <= maxWindows {
			starts = append(starts, p.jobs[i].Release)
		}
	}
	slices.SortFunc(byDeadline, func(a, b int) int { return cmp.Compare(p.jobs[a].Deadline, p.jobs[b].Deadline) })
	slices.Sort(starts)
	for _, from := range slices.Compact(starts) {
		var demand int64
		for n, i := range byDeadline {
			j := &p.jobs[i]
			if j.Release < from {
				continue
			}
			demand += j.total()
			last := n+1 == len(byDeadline) || p.jobs[byDeadline[n+1]].Deadline > j.Deadline
			if last && demand > j.Deadline-from {
				return &Witness{
					Message: fmt.Sprintf("between %s and %s, when a job of task %s is due, %s of bus time is asked for in %s",
						p.opt.time(from), p.opt.time(j.Deadline), p.name(j), p.opt.time(demand), p.opt.time(j.Deadline-from)),
					Task: p.name(j), Needed: demand, Available: j.Deadline - from,
				}
			}
		}
	}
	return nil
}
