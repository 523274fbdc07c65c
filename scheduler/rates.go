package scheduler

import (
	"math"
	"math/big"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// The grid of the least stretch, and the work spent on finding what would fit. A refusal is for a person who waits for
// it: it should take seconds at most, and may lack an answer.
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

// remedies finds what would fit in place of tasks that do not.
type remedies struct{ *planner }

// newRemedies returns the remedies for the tasks of a planner, which is left as it is.
func newRemedies(p *planner) *remedies {
	own := *p
	return &remedies{&own}
}

// rates adds to a refusal what would fit: the least stretch of all periods and deadlines, and for each task the highest
// rate beside the others as asked for. Every answer has been planned; the work is limited, so an answer may be missing.
func (p *remedies) rates(cad *cadence, r *facetdv1.Refusal) {
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
func (p *remedies) highestRate(asked *cadence, task int) float64 {
	others := p.without(task)
	period := asked.hyperperiod / asked.jobs[task]
	repeat := (ratePieces*max(period, int64(p.whole[task].Total())) + others.hyperperiod - 1) / others.hyperperiod
	if others.total()*repeat > rateJobs {
		repeat = max(rateJobs/max(others.total(), 1), 1)
	}
	try := func(n int64) *cadence {
		c := &cadence{grain: others.grain, hyperperiod: others.hyperperiod * repeat}
		for i := range p.tasks {
			c.jobs = append(c.jobs, others.jobs[i]*repeat)
			c.deadlines = append(c.deadlines, others.deadlines[i])
		}
		c.jobs[task] = n
		c.deadlines[task] = down(c.hyperperiod/n, c.grain)
		if p.tasks[task].OwnDeadline {
			c.deadlines[task] = min(c.deadlines[task], down(int64(p.tasks[task].Deadline), c.grain))
		}
		return c
	}
	fits := func(n int64) bool {
		_, refusal := p.solve(try(n))
		return refusal == nil
	}
	high := min(others.hyperperiod*repeat/period, others.hyperperiod*repeat/int64(p.whole[task].Total())) + 1
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

// planned is the highest rate at or below hz that fits when it is typed in as a decimal number. An operator will type
// it, and some decimals are snapped to a much higher rate, so each is planned as typed, with ever fewer digits. 0 where
// none was found.
func (p *remedies) planned(task int, hz float64) float64 {
	for digits := 15; digits > 0; digits = min(digits-1, 4) {
		scale := math.Pow(10, float64(digits)-1-math.Floor(math.Log10(hz)))
		rate := math.Floor(hz*scale) / scale
		tasks := slices.Clone(p.tasks)
		tasks[task] = tasks[task].At(rate)
		if p.search(tasks) != nil {
			return rate
		}
	}
	return 0
}

// without is the cadence of all tasks but one, which has no jobs in it.
func (p *remedies) without(task int) *cadence {
	var periods []*big.Rat
	var deadlines, costs []time.Duration
	for i, t := range p.tasks {
		if i != task {
			periods = append(periods, t.Period)
			deadlines = append(deadlines, t.Deadline)
			costs = append(costs, p.whole[i].Total())
		}
	}
	t := newTiming(periods, deadlines, p.array.Grain())
	c := t.cadence(down(int64(time.Second), t.grain))
	if len(periods) > 0 {
		var ok bool
		if c, ok = t.exact(p.opt.MaxHyperperiod, int64(p.opt.MaxSegments)); !ok {
			c, _ = t.snapped(costs, int64(p.opt.MaxSegments))
		}
	}
	full := &cadence{grain: c.grain, hyperperiod: c.hyperperiod}
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
