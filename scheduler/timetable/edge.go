package timetable

import (
	"math/big"
	"slices"
)

// Edge asks for the highest rate of one task beside others that stay as they are.
//
// Which rates fit is not monotone: without preemption a slower task may fail where a faster one fits. So the rates are
// tried one by one. Those that can be achieved have tables that repeat: n jobs of the task in m hyperperiods of the
// others. For growing m all n are tried from the top down, until one fits or only rates remain that are no higher than
// one that does. Refutes spares most of that work: it rules out all periods between two at once.
type Edge struct {
	// Hyperperiod of the others, and the shortest period of the task that is tried, in ticks.
	Hyperperiod int64
	Shortest    *big.Rat
	// Fits decides n jobs in m hyperperiods, and says how much work that was; Infeasible means that it was proved.
	Fits func(n, m int64) (v Verdict, work int64)
	// Refutes reports that no period from short to long fits, in whatever table; nil where that cannot be told.
	Refutes func(short, long int64) (yes bool, work int64)
	// Known is a rate that is known to fit, if any: the search goes on above it.
	Known Highest
	// MaxTables is the largest m that is tried, MaxJobs the most jobs of the task in a table, Work when to end. One
	// unit of work is about a microsecond.
	MaxTables, MaxJobs, Work int64
}

// Highest is what an Edge found.
type Highest struct {
	// Jobs in Tables hyperperiods of the others are the highest rate that was found to fit; both 0 where none was.
	Jobs, Tables int64
	// Searched is the largest m up to which every rate higher than the one found was proved not to fit; 0 where that
	// was left open for tables of one hyperperiod already.
	Searched int64
}

// Search looks for the highest rate.
func (e *Edge) Search() Highest {
	w := &edgeWalk{Edge: e, found: Highest{Jobs: e.Known.Jobs, Tables: e.Known.Tables}}
	open := false // some rate in a table of at most this length was left undecided
	for m := int64(1); m <= e.MaxTables && w.spent < e.Work; m++ {
		if !w.table(m) {
			open = true
		}
		if !open {
			w.found.Searched = m
		}
	}
	return w.found
}

type edgeWalk struct {
	*Edge
	found Highest
	spent int64
	out   []periodSpan // refuted
}

// periodSpan is the periods from short to long, in ticks.
type periodSpan struct{ short, long int64 }

// table tries the rates of tables of m hyperperiods that are higher than the one found, and reports whether all of them
// were decided.
func (w *edgeWalk) table(m int64) bool {
	if !inRange(m, w.Hyperperiod) {
		return false
	}
	span := m * w.Hyperperiod
	top := new(big.Rat).Quo(new(big.Rat).SetInt64(span), w.Shortest)
	n := new(big.Int).Quo(top.Num(), top.Denom()).Int64()
	decided := true
	if n > w.MaxJobs {
		n, decided = w.MaxJobs, false
	}
	for ; n > 0 && !w.reached(n, m); n-- {
		if gcd(n, m) > 1 {
			continue // a shorter table has the same rate
		}
		if w.refuted(n, m) {
			continue
		}
		if w.spent >= w.Work {
			return false
		}
		verdict, work := w.Fits(n, m)
		w.spent += work
		switch verdict {
		case Feasible:
			w.found.Jobs, w.found.Tables = n, m
			return decided
		case Unknown:
			decided = false
		}
	}
	return decided
}

// reached reports that n jobs in m hyperperiods are no higher rate than the one found.
func (w *edgeWalk) reached(n, m int64) bool {
	return w.found.Tables > 0 && n*w.found.Tables <= w.found.Jobs*m
}

// Parts of a period by which refuting it is tried to both sides: the first, and the largest.
const (
	firstReach = 1024
	lastReach  = 4
)

// refuted reports whether a rate is ruled out by what Refutes says of all periods about it. What it rules out grows as
// long as it can.
func (w *edgeWalk) refuted(n, m int64) bool {
	span := m * w.Hyperperiod
	short, long := span/n, ceilDiv(span, n)
	if slices.ContainsFunc(w.out, func(s periodSpan) bool { return s.short <= short && long <= s.long }) {
		return true
	}
	if w.Refutes == nil {
		return false
	}
	yes := false
	for part := int64(firstReach); part >= lastReach; part /= 4 {
		s := periodSpan{max(short-short/part, 1), long + long/part}
		refuted, work := w.Refutes(s.short, s.long)
		w.spent += work
		if !refuted {
			break
		}
		w.out = append(w.out, s)
		yes = true
	}
	return yes
}

// Relaxation refutes spans of periods of one task beside others: it lets every job of the task begin as early as it
// could with the shortest period and end as late as it could with the longest, and looks only at the first of
// endlessly many jobs. What does not fit even so fits with no period between the two, in no table however long.
type Relaxation struct {
	// Names are of the others and then of the task.
	Names []string
	// Hyperperiod and jobs of the others, of one segment each.
	Hyperperiod int64
	Others      []Job
	// Cost and deadline of the task; a deadline of 0 is the period.
	Cost, Deadline int64
	// DemandOnly leaves out every test but that of demand, which holds for jobs that are cut as well.
	DemandOnly bool
}

// What a relaxation looks at.
const (
	relaxedPeriods = 6
	relaxedJobs    = 400
	relaxedStates  = 3000
)

// Refutes is an Edge's.
func (r *Relaxation) Refutes(short, long int64) (yes bool, work int64) {
	cycles := ceilDiv(relaxedPeriods*long, r.Hyperperiod)
	if most := max(relaxedJobs/int64(max(len(r.Others), 1)), 1); cycles > most {
		cycles = most
	}
	if len(r.Others) > relaxedJobs || !inRange(cycles, r.Hyperperiod) {
		return false, 1
	}
	p := newProblem(r.Names, cycles*r.Hyperperiod, r.jobs(cycles, short, long), Options{States: relaxedStates})
	work = int64(len(p.jobs))
	if r.DemandOnly {
		return p.rejectDemand() != nil, work
	}
	res := p.ladder()
	return res.Verdict == Infeasible, work + int64(res.States)
}

// NoRoom reports that not even a single job of the task fits beside the others, whenever it may run and whatever its
// deadline: one that begins in some hyperperiod of theirs is within that and the next.
func (r *Relaxation) NoRoom() bool {
	cycles := max(2, ceilDiv(r.Cost, r.Hyperperiod)+1)
	if cycles*int64(len(r.Others)) > rateJobs || !inRange(cycles, r.Hyperperiod) {
		return false
	}
	one := *r
	one.Deadline = 0
	span := cycles * r.Hyperperiod
	p := newProblem(r.Names, span, one.jobs(cycles, span, span), Options{States: relaxedStates})
	if r.DemandOnly {
		return p.rejectDemand() != nil
	}
	return p.ladder().Verdict == Infeasible
}

// jobs are those of a number of hyperperiods that are due within them.
func (r *Relaxation) jobs(cycles, short, long int64) []Job {
	var jobs []Job
	perCycle := make([]int, len(r.Names))
	for _, j := range r.Others {
		perCycle[j.Task]++
	}
	for c := range cycles {
		for _, j := range r.Others {
			j.Number += int(c) * perCycle[j.Task]
			j.Release += c * r.Hyperperiod
			j.Deadline += c * r.Hyperperiod
			jobs = append(jobs, j)
		}
	}
	due := long
	if r.Deadline > 0 {
		due = min(due, r.Deadline)
	}
	costs := []int64{r.Cost}
	for k := int64(0); k < relaxedJobs && k*long+due <= cycles*r.Hyperperiod; k++ {
		jobs = append(jobs, Job{Task: len(r.Names) - 1, Number: int(k), Release: k * short, Deadline: k*long + due,
			Costs: costs})
	}
	return jobs
}
