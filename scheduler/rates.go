package scheduler

import (
	"math"
	"math/big"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/timetable"
)

// The grid of the least stretch, and the work spent on finding what would fit. A refusal is for a person who waits for
// it: it should take seconds at most, and may lack an answer.
const (
	stretchDen   = 64
	maxStretch   = 64
	maxRateTasks = 12
	// Jobs of the longest table that is tried for a rate, and states of the search for each try.
	rateJobs      = 4096
	rateStates    = 4000
	stretchStates = 20000
	stretchJobs   = 4096
	// Work on the rates of all tasks, in units of timetable.Edge, and on that of one task in an exploration.
	rateWork    = 300_000
	exploreWork = 30_000
)

// remedies finds what would fit in place of tasks that do not.
type remedies struct{ *planner }

// newRemedies returns the remedies for the tasks of a planner, which is left as it is.
func newRemedies(p *planner) *remedies {
	own := *p
	return &remedies{&own}
}

// rates adds to a refusal what would fit: the least stretch of all periods and deadlines, and for each task a rate
// beside the others as asked for. Every answer has been planned; the work is limited, so an answer may be missing.
func (p *remedies) rates(cad *cadence, r *facetdv1.Refusal) {
	p.stretch(cad, r)
	p.states = rateStates
	if len(p.tasks) > maxRateTasks {
		return
	}
	for i := range p.tasks {
		r.FittingRates = append(r.FittingRates, p.orRaised(i, p.fittingRate(i, rateWork/int64(len(p.tasks)))))
	}
}

// fittingRate looks for the highest rate of one task that fits beside the others, at most the one asked for. It is
// called the highest only where every higher one that has a table with the others, up to a length of table, was proved
// not to fit; and that none fits is said only with a witness.
func (p *remedies) fittingRate(task int, work int64) *facetdv1.FittingRate {
	t := p.tasks[task]
	out := &facetdv1.FittingRate{Task: t.Name, SearchedUpToHz: t.RateHz}
	others, exact := p.without(task)
	mergeable := p.mergeable()
	if !mergeable {
		if out.Witness, out.InTheWay = p.obstacle(task, others); out.Witness != "" {
			return out
		}
	}
	e := p.edge(task, others, work)
	e.Known = p.halved(task, others, e)
	found := e.Search()
	if found.Jobs > 0 {
		out.RateHz = unlessZero(p.typed(task, p.beside(task, others, found.Jobs, found.Tables).rateHz(task)))
	}
	if exact && !mergeable {
		out.SearchedTableNs = unlessZero(found.Searched * others.hyperperiod)
		out.ProvedHighest = found.Jobs > 0 && found.Searched > 0 && out.RateHz != nil
	}
	return out
}

// orRaised puts a higher rate in its place where one fits that raises others.
func (p *remedies) orRaised(task int, out *facetdv1.FittingRate) *facetdv1.FittingRate {
	if out.GetWitness() == "" {
		if better := p.raised(task, out.GetRateHz()); better > out.GetRateHz() {
			out.RateHz, out.ProvedHighest = &better, false
		}
	}
	return out
}

// ratePieces is how many jobs the table has in which halved looks for a rate, at least.
const ratePieces = 16

// halved finds a rate that fits by halving the interval on a grid of jobs in several hyperperiods of the others. As
// rates that fit are not monotone, it is not the highest; but often it is near, which spares the search most of its
// work.
func (p *remedies) halved(task int, others *cadence, e *timetable.Edge) timetable.Highest {
	shortest := floor(e.Shortest) + 1
	m := min((ratePieces*shortest+others.hyperperiod-1)/others.hyperperiod, e.MaxTables)
	low, high := int64(0), min(m*others.hyperperiod/shortest+2, e.MaxJobs)
	for high-low > 1 {
		mid := (low + high) / 2
		if c := p.beside(task, others, mid, m); big.NewRat(c.hyperperiod, mid).Cmp(e.Shortest) >= 0 && p.fitsAt(c) {
			low = mid
		} else {
			high = mid
		}
	}
	if low == 0 || p.typed(task, p.beside(task, others, low, m).rateHz(task)) == 0 {
		return timetable.Highest{}
	}
	return timetable.Highest{Jobs: low / gcd(low, m), Tables: m / gcd(low, m)}
}

func (p *remedies) fitsAt(c *cadence) bool {
	_, refusal := p.solve(c)
	return refusal == nil
}

// mergeable reports whether two of the tasks could have a merged load at some rate. What is proved here is proved of
// the tasks apart.
func (p *remedies) mergeable() bool {
	for i, x := range p.tasks {
		for j, y := range p.tasks {
			if i != j && x.At(1).MayFollow(y.At(1)) {
				return true
			}
		}
	}
	return false
}

// edge is the question which rate of a task is the highest beside others.
func (p *remedies) edge(task int, others *cadence, work int64) *timetable.Edge {
	t, cost := p.tasks[task], p.whole[task].Total()
	shortest := t.Period
	left := others.hyperperiod
	for i := range p.tasks {
		left -= others.jobs[i] * int64(p.whole[i].Total())
	}
	if least := big.NewRat(int64(cost)*others.hyperperiod, max(left, 1)); least.Cmp(shortest) > 0 {
		shortest = least
	}
	e := &timetable.Edge{
		Hyperperiod: others.hyperperiod, Shortest: shortest, Work: work, MaxTables: 1, MaxJobs: rateJobs,
		Fits: func(n, m int64) (timetable.Verdict, int64) {
			before := p.spent
			return p.achieves(task, p.beside(task, others, n, m)), p.spent - before
		},
	}
	if total := others.total(); total > 0 {
		e.MaxTables = max(min(int64(p.opt.MaxHyperperiod)/others.hyperperiod, rateJobs/total), 1)
	}
	if others.total() > 0 && others.grain == 1 { // a coarser grain moves releases beyond what a relaxation allows
		demand, pieces := p.relaxations(task, others)
		e.Refutes = func(short, long int64) (bool, int64) {
			yes, work := demand.Refutes(short, long)
			if yes {
				return yes, work
			}
			yes, more := pieces.Refutes(short, long)
			return yes, work + more
		}
	}
	return e
}

// beside is the cadence of n jobs of a task in m hyperperiods of the others.
func (p *remedies) beside(task int, others *cadence, n, m int64) *cadence {
	c := &cadence{grain: others.grain, hyperperiod: others.hyperperiod * m}
	for i := range p.tasks {
		c.jobs = append(c.jobs, others.jobs[i]*m)
		c.deadlines = append(c.deadlines, others.deadlines[i])
	}
	c.jobs[task] = n
	c.deadlines[task] = down(c.hyperperiod/n, c.grain)
	if p.tasks[task].OwnDeadline {
		c.deadlines[task] = min(c.deadlines[task], down(int64(p.tasks[task].Deadline), c.grain))
	}
	return c
}

// achieves decides a cadence: it fits where it has a table and its rate can be typed in as well.
func (p *remedies) achieves(task int, c *cadence) timetable.Verdict {
	_, refusal := p.solve(c)
	switch {
	case refusal == nil && p.typed(task, c.rateHz(task)) > 0:
		return timetable.Feasible
	case refusal == nil || refusal.GetReason() == facetdv1.RefusalReason_REFUSAL_REASON_UNDECIDED:
		return timetable.Unknown
	}
	return timetable.Infeasible
}

// typed is the highest decimal number at or below a rate that is planned when it is typed in. An operator will type it,
// and some decimals have no table with the others, so each is planned as typed, with ever fewer digits. 0 where none
// fits: no rate is given that is much lower.
func (p *remedies) typed(task int, hz float64) float64 {
	for _, digits := range []int{15, 12, 9, 7} {
		scale := math.Pow(10, float64(digits)-1-math.Floor(math.Log10(hz)))
		rate := math.Floor(hz*scale*(1+1e-15)) / scale
		if p.planned(task, rate) {
			return rate
		}
	}
	return 0
}

func (p *remedies) planned(task int, hz float64) bool {
	tasks := slices.Clone(p.tasks)
	tasks[task] = tasks[task].At(hz)
	return p.search(tasks) != nil
}

// raisedSteps is how many rates raised tries.
const raisedSteps = 16

// raised tries a few rates between one that fits and the one asked for as they would be typed in: the planner may bring
// the rates of several tasks up to ones that divide one another, which the search beside the others as asked does not.
func (p *remedies) raised(task int, fits float64) float64 {
	asked := p.tasks[task].RateHz
	for k := range raisedSteps {
		low := max(fits, asked/maxStretch)
		hz := asked * math.Pow(low/asked, float64(k+1)/float64(raisedSteps+1))
		scale := math.Pow(10, 3-math.Floor(math.Log10(hz)))
		if hz = math.Floor(hz*scale) / scale; hz <= fits {
			continue
		}
		tasks := slices.Clone(p.tasks)
		tasks[task] = tasks[task].At(hz)
		if p.search(tasks) != nil || p.planner.raised(tasks) != nil {
			return hz
		}
	}
	return fits
}

// without is the cadence of all tasks but one, which has no jobs in it, and whether it has exactly their rates.
func (p *remedies) without(task int) (*cadence, bool) {
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
	c, exact := t.cadence(int64(p.whole[task].Total())), true // alone, every period from that of its job on fits
	if len(periods) > 0 {
		if c, exact = t.exact(p.opt.MaxHyperperiod, int64(p.opt.MaxSegments)); !exact {
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
	return full, exact
}

// relaxations are two of a task beside others: of demand, with the bus time of whole jobs, which cutting only adds to;
// and of the longest piece of every job that no cut divides.
func (p *remedies) relaxations(task int, others *cadence) (demand, pieces *timetable.Relaxation) {
	var names []string
	var whole, cut []timetable.Job
	for i, t := range p.tasks {
		if i == task {
			continue
		}
		for k := range others.jobs[i] {
			j := timetable.Job{Task: len(names), Number: int(k), Release: others.release(i, k),
				Deadline: others.deadline(i, k), Costs: []int64{int64(p.whole[i].Total())}}
			whole = append(whole, j)
			j.Costs = []int64{p.piece(i)}
			cut = append(cut, j)
		}
		names = append(names, t.Name)
	}
	t := p.tasks[task]
	demand = &timetable.Relaxation{Names: append(names, t.Name), Hyperperiod: others.hyperperiod, Others: whole,
		Cost: int64(p.whole[task].Total()), DemandOnly: true}
	if t.OwnDeadline {
		demand.Deadline = int64(t.Deadline)
	}
	own := *demand
	own.Others, own.Cost, own.DemandOnly = cut, p.piece(task), false
	return demand, &own
}

// piece is a time for which every program of a job has the bus without a cut: the longest of its loads, shares and
// readouts, without selecting and writing, which depend on what comes before.
func (p *compiled) piece(task int) int64 {
	if len(p.tasks) == 1 || !p.compilers[task].Divisible() {
		return int64(p.whole[task].Total())
	}
	piece := func(prog *program.Program) int64 {
		most := int64(1)
		for _, c := range prog.Costs {
			c[facetdv1.Phase_PHASE_SELECT], c[facetdv1.Phase_PHASE_WRITE] = 0, 0
			most = max(most, int64(c.Total()))
		}
		return most
	}
	fine, err := p.compilers[task].Compile(p.batches[task], 1)
	if err != nil {
		return 1
	}
	least := piece(fine)
	if p.tasks[task].MaxHold > 0 {
		if fine, err = p.compilers[task].Compile(p.compilers[task].Groups(), 1); err != nil {
			return 1
		}
		least = min(least, piece(fine))
	}
	return least
}
