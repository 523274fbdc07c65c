package scheduler

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/scheduler/timetable"
)

// Millis writes a time in milliseconds, or microseconds below one.
func Millis(ns int64) string {
	if ns < 1e6 && ns > -1e6 {
		return fmt.Sprintf("%.4g us", float64(ns)/1e3)
	}
	return fmt.Sprintf("%.4g ms", float64(ns)/1e6)
}

func (p *planner) utilization(cad *cadence) float64 {
	var busy float64
	for i := range p.tasks {
		busy += float64(p.whole[i].total()) * float64(cad.jobs[i])
	}
	return busy / float64(cad.hyperperiod)
}

// reject finds what no table of whole or cut jobs could help: cutting only adds
// bus time.
func (p *planner) reject(cad *cadence) *facetdv1.Refusal {
	for i, t := range p.tasks {
		need, have := int64(p.whole[i].total()), cad.window(i)
		if need > have {
			limit := "period"
			if t.Spec.GetDeadline() != nil && cad.deadlines[i] <= have {
				limit = "deadline"
			}
			return &facetdv1.Refusal{
				Reason: facetdv1.RefusalReason_REFUSAL_REASON_JOB_TOO_LONG, Task: t.Name,
				NeededNs: need, AvailableNs: have, Utilization: p.utilization(cad),
				Message: fmt.Sprintf("reading %s takes %s, but its %s is %s", t.Name, Millis(need), limit, Millis(have)),
			}
		}
	}
	u := p.utilization(cad)
	if u <= 1 {
		return p.sharedChips(cad)
	}
	var shares []string
	for i, t := range p.tasks {
		one := float64(p.whole[i].total()) * float64(cad.jobs[i]) / float64(cad.hyperperiod)
		share := fmt.Sprintf("%s %.1f %%", t.Name, 100*one)
		if real := cad.rateHz(i); real > t.Spec.GetRateHz()*(1+1e-6) {
			share += fmt.Sprintf(" at %.6g Hz", real)
		}
		shares = append(shares, share)
	}
	return &facetdv1.Refusal{
		Reason:   facetdv1.RefusalReason_REFUSAL_REASON_UTILIZATION,
		NeededNs: int64(u * float64(cad.hyperperiod)), AvailableNs: cad.hyperperiod, Utilization: u,
		Message: fmt.Sprintf("the tasks ask for %.1f %% of the bus: %s", 100*u, strings.Join(shares, ", ")),
	}
}

// sharedChips finds a task whose jobs are longer than what another task on some of
// the same chips leaves free: cutting does not help, because nobody else may touch
// the chips between two segments of a job.
func (p *planner) sharedChips(cad *cadence) *facetdv1.Refusal {
	for i, t := range p.tasks {
		need := int64(p.whole[i].total())
		for j, other := range p.tasks {
			gap := p.gap(cad, j)
			if i == j || need <= gap {
				continue
			}
			k := slices.IndexFunc(t.Chips, func(c int) bool { return slices.Contains(other.Chips, c) })
			if k < 0 {
				continue
			}
			return &facetdv1.Refusal{
				Reason: facetdv1.RefusalReason_REFUSAL_REASON_DEADLINE, Task: t.Name,
				NeededNs: need, AvailableNs: gap, Utilization: p.utilization(cad),
				Message: fmt.Sprintf("reading %s takes %s, but task %s, which reads chip %s too, leaves at most %s between its jobs",
					t.Name, Millis(need), other.Name, p.a.Chips[t.Chips[k]].Name, Millis(gap)),
			}
		}
	}
	return nil
}

// explain says in numbers why the finest attempt did not fit.
func (p *planner) explain(cad *cadence, f *failure, undecided bool) *facetdv1.Refusal {
	r := &facetdv1.Refusal{Reason: facetdv1.RefusalReason_REFUSAL_REASON_DEADLINE, Utilization: p.utilization(cad)}
	if p.inTheWay(cad, f, r) {
		return r
	}
	w := f.result.Witness
	if w == nil {
		w = &timetable.Witness{Message: "no start times were found"}
	}
	r.Message, r.Task, r.NeededNs, r.AvailableNs = w.Message, w.Task, w.Needed, w.Available
	if undecided {
		r.Reason = facetdv1.RefusalReason_REFUSAL_REASON_UNDECIDED
		r.Message = fmt.Sprintf("no timetable was found at %.1f %% of the bus, and the search ended before it could rule one out: %s", 100*r.Utilization, w.Message)
	}
	return r
}

// inTheWay finds a piece of one task that is longer than what another task, read
// whole, can leave free between two of its jobs, and puts the worst such case into
// the refusal.
func (p *planner) inTheWay(cad *cadence, f *failure, r *facetdv1.Refusal) bool {
	for i, t := range p.tasks {
		long := int64(f.programs[i].longest())
		for j, other := range p.tasks {
			gap := p.gap(cad, j)
			if i == j || len(f.programs[j].segments) > 1 || long <= gap || long <= r.NeededNs {
				continue
			}
			piece := "reading " + t.Name
			if len(f.programs[i].segments) > 1 {
				piece = "a piece of reading " + t.Name + ", cut as short as it can be,"
			}
			r.Task, r.NeededNs, r.AvailableNs = t.Name, long, gap
			r.Message = fmt.Sprintf("%s takes %s, but task %s leaves at most %s between its jobs", piece, Millis(long), other.Name, Millis(gap))
		}
	}
	return r.Message != ""
}

// Grid of the least stretch and work spent on what would fit.
const (
	stretchDen   = 64
	maxStretch   = 64
	maxRateTasks = 12
	ratePieces   = 16
	rateJobs     = 4096
	// States of the search for each try.
	stretchStates = 20000
	stretchJobs   = 4096
	rateStates    = 4000
)

// bound adds to a refusal what would fit: the least stretch of all periods and
// deadlines, and for each task the highest rate beside the others as asked. Every
// answer was planned; the work is bounded, so an answer may be missing.
func (p *planner) bound(cad *cadence, r *facetdv1.Refusal) {
	p.stretch(cad, r)
	p.states = rateStates
	if len(p.tasks) > maxRateTasks {
		return
	}
	for i, t := range p.tasks {
		r.HighestRates = append(r.HighestRates, &facetdv1.RateBound{Task: t.Name, RateHz: p.highestRate(cad, i)})
	}
}

// highestRate is the highest rate of one task that fits beside the others, on a
// grid of whole jobs in several hyperperiods of the others, at most the rate asked
// for; 0 where none fits.
func (p *planner) highestRate(asked *cadence, task int) float64 {
	others := p.without(task)
	period := asked.hyperperiod / asked.jobs[task]
	repeat := (ratePieces*max(period, int64(p.whole[task].total())) + others.hyperperiod - 1) / others.hyperperiod
	if others.total()*repeat > rateJobs {
		repeat = max(rateJobs/max(others.total(), 1), 1)
	}
	try := func(n int64) *cadence {
		c := &cadence{hyperperiod: others.hyperperiod * repeat}
		for i := range p.tasks {
			c.jobs = append(c.jobs, others.jobs[i]*repeat)
			c.deadlines = append(c.deadlines, others.deadlines[i])
		}
		c.jobs[task] = n
		c.deadlines[task] = c.hyperperiod / n
		if p.tasks[task].Spec.GetDeadline() != nil {
			c.deadlines[task] = min(c.deadlines[task], int64(p.tasks[task].Deadline))
		}
		return c
	}
	fits := func(n int64) bool {
		_, refusal := p.solve(try(n))
		return refusal == nil
	}
	high := min(others.hyperperiod*repeat/period, others.hyperperiod*repeat/int64(p.whole[task].total())) + 1
	high = min(high, rateJobs)
	low := int64(0)
	for high-low > 1 {
		if mid := (low + high) / 2; fits(mid) {
			low = mid
		} else {
			high = mid
		}
	}
	if low == 0 {
		return 0
	}
	return p.planned(task, try(low).rateHz(task))
}

// planned is the highest rate at or below hz that fits when it is asked for as a
// decimal number: some are snapped to a much higher rate. 0 where none was found.
func (p *planner) planned(task int, hz float64) float64 {
	for digits := 15; digits > 0; digits = min(digits-1, 4) {
		scale := math.Pow(10, float64(digits)-1-math.Floor(math.Log10(hz)))
		rate := math.Floor(hz*scale) / scale
		cads, refusal := p.cadences(func(i int) (float64, time.Duration) {
			if i != task {
				return p.tasks[i].Spec.GetRateHz(), p.tasks[i].Deadline
			}
			period := time.Duration(floorRat(periodOf(rate)))
			if p.tasks[i].Spec.GetDeadline() != nil {
				period = min(period, p.tasks[i].Deadline)
			}
			return rate, period
		})
		if refusal != nil {
			continue
		}
		if _, refusal = p.solveAny(cads); refusal == nil {
			return rate
		}
	}
	return 0
}

// without is the cadence of all tasks but one, which has no jobs in it.
func (p *planner) without(task int) *cadence {
	var periods []*big.Rat
	var deadlines, costs []time.Duration
	for i, t := range p.tasks {
		if i != task {
			periods = append(periods, periodOf(t.Spec.GetRateHz()))
			deadlines = append(deadlines, t.Deadline)
			costs = append(costs, p.whole[i].total())
		}
	}
	c := &cadence{hyperperiod: int64(time.Second)}
	if len(periods) > 0 {
		var ok bool
		if c, ok = exactCadence(periods, deadlines, p.opt.MaxHyperperiod, int64(p.opt.MaxSegments)); !ok {
			c, _ = snappedCadence(periods, deadlines, costs, int64(p.opt.MaxSegments))
		}
	}
	full := &cadence{hyperperiod: c.hyperperiod}
	for i := range p.tasks {
		if i == task {
			full.jobs = append(full.jobs, 0)
			full.deadlines = append(full.deadlines, 0)
			continue
		}
		full.jobs, c.jobs = append(full.jobs, c.jobs[0]), c.jobs[1:]
		full.deadlines, c.deadlines = append(full.deadlines, c.deadlines[0]), c.deadlines[1:]
	}
	return full
}
