package scheduler

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"sync"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/timetable"
)

// Options limit the work of Build. The zero value is the default.
type Options struct {
	// MaxSegments is the most segments of one hyperperiod; 0 means 20,000.
	MaxSegments int
	// MaxHyperperiod is the longest table that gives every task exactly the rate
	// asked for; beyond it periods are snapped. 0 means one minute.
	MaxHyperperiod time.Duration
	// NoRemedies leaves out of a refusal what would fit (the least stretch, the highest rates and the suggestions), and
	// advice out of a plan: to find them, many more tables are planned.
	NoRemedies bool
	// TriggerLead is how long before its start it is decided whether a reservation of a sporadic task is used.
	TriggerLead time.Duration
	// Queue is that of the bus; the zero value is no limit.
	Queue timetable.Queue
	// states limits the search for each table; 0 is the timetable's default.
	states int
	// adviceAlone is NoRemedies for refusals.
	adviceAlone bool
}

// remedies reports whether a refusal is to say what would fit.
func (o Options) remedies() bool { return !o.NoRemedies && !o.adviceAlone }

const (
	defaultMaxSegments    = 20000
	defaultMaxHyperperiod = time.Minute
)

// Build plans tasks on an array. Errors: invalid.Errors, *RefusalError for tasks that do not fit, *InternalError for a
// plan that its own check found wrong.
func Build(a *chipmodel.Array, tasks []*program.Task, opt Options) (*Plan, error) {
	if a.WiringOnly || len(tasks) == 0 {
		var m invalid.Errors
		m.Add("tasks", "there is nothing to plan",
			"give at least one task, and an array with classes, lanes and timing")
		return nil, m
	}
	if opt.MaxSegments == 0 {
		opt.MaxSegments = defaultMaxSegments
	}
	if opt.MaxHyperperiod == 0 {
		opt.MaxHyperperiod = defaultMaxHyperperiod
	}
	if anySporadic(tasks) {
		return buildSporadic(a, tasks, opt)
	}
	return build(program.NewWords(a), tasks, opt)
}

// build is Build for tasks of which the sporadic ones have their reservations.
func build(w *program.Words, tasks []*program.Task, opt Options) (*Plan, error) {
	p, refusal := newPlanner(w, tasks, opt)
	if refusal != nil {
		if opt.remedies() && refusal.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_SELECT {
			newRemedies(p).suggest(refusal)
		}
		return nil, p.refused(refusal)
	}
	cads, refusal := p.cadences(p.tasks)
	apart := sync.OnceValue(func() *attempt {
		var found *attempt
		if refusal == nil {
			if found = p.keeping(p.tasks); found != nil {
				return found
			}
			if found, refusal = p.solveAny(cads); found == nil {
				found = p.raised(p.tasks)
			}
		}
		return found
	})
	m := &merger{planner: p, pays: map[string]bool{}}
	by, found := m.merged(apart)
	if found == nil {
		by, found = p, apart()
	}
	if found == nil {
		if opt.remedies() && cads != nil {
			r := newRemedies(p)
			r.rates(cads[0], refusal)
			r.suggest(refusal)
			// The stretch was found for the tasks apart; with a merged load a smaller one may do.
			refusal.LeastStretchExact = refusal.GetLeastStretchExact() && !m.mayMerge()
		}
		return nil, p.refused(refusal)
	}
	plan, err := by.plan(found)
	if err != nil {
		return nil, err
	}
	if err := check(plan, by.jobs(found.cad, found.programs), found.result.Table); err != nil {
		return nil, err
	}
	if !opt.NoRemedies {
		plan.Message.Advice = by.advise(found)
	}
	return plan, nil
}

// refused is the error of a refusal. On a coarse grain its numbers are not those of the array file.
func (p *planner) refused(r *facetdv1.Refusal) error {
	if g := p.array.Grain(); g > 1 {
		r.Message += fmt.Sprintf(" (every time is rounded up to the bus's grain of %v)", g)
	}
	return &RefusalError{r}
}

// InternalError is a plan that violates a rule: an error of facetd, not of the tasks. The caller reports it and keeps
// the active plan.
type InternalError struct{ Message string }

func (e *InternalError) Error() string { return "internal error: " + e.Message }

// planner looks for a table of one set of compiled tasks.
type planner struct {
	*compiled
	// wanted are the tasks as asked for; in tasks some of them may be merged.
	wanted []*program.Task
	opt    Options
	// states limits the search for each table; 0 is the timetable's default.
	states int
	// spent is the work of all tables that were looked for, in units of timetable.Edge.
	spent int64
}

// newPlanner compiles tasks. With a refusal, the planner still has what was compiled before it, for suggestions.
func newPlanner(w *program.Words, tasks []*program.Task, opt Options) (*planner, *facetdv1.Refusal) {
	c, refusal := compileTasks(w, tasks)
	return &planner{compiled: c, wanted: tasks, opt: opt, states: opt.states}, refusal
}

// attempt is a set of tasks that fits.
type attempt struct {
	cad      *cadence
	programs []*program.Program
	result   timetable.Result
}

// fit plans other tasks in place of a planner's own, with a number of states for each table; nil where they do not fit.
func (p *planner) fit(tasks []*program.Task, states int) (*planner, *attempt) {
	sub, refusal := newPlanner(p.words, tasks, p.opt)
	if refusal != nil {
		return nil, nil
	}
	sub.states = states
	if found := sub.search(tasks); found != nil {
		return sub, found
	}
	return nil, nil
}

// search looks for a table of tasks that differ from the planner's own in rate and deadline only; nil where none is
// found.
func (p *planner) search(tasks []*program.Task) *attempt {
	if found := p.keeping(tasks); found != nil {
		return found
	}
	cads, refusal := p.cadences(tasks)
	if refusal != nil {
		return nil
	}
	found, _ := p.solveAny(cads)
	return found
}

// keeping looks for a table in which the tasks that run already keep to their periods, so that their releases can stay
// where they are; nil where none is found, or none runs. The other tasks have exactly their rates, or, where such a
// table would be too long, the fewest jobs that are enough.
func (p *planner) keeping(tasks []*program.Task) *attempt {
	periods := make([]*big.Rat, len(tasks))
	deadlines := make([]time.Duration, len(tasks))
	var kept []*big.Rat
	for i, t := range tasks {
		periods[i], deadlines[i] = t.Period, t.Deadline
		if t.Kept != nil {
			periods[i] = t.Kept
			kept = append(kept, t.Kept)
		}
	}
	if len(kept) == 0 {
		return nil
	}
	most := int64(p.opt.MaxSegments)
	t := newTiming(periods, deadlines, p.array.Grain())
	var cads []*cadence
	if exact, ok := t.exact(p.opt.MaxHyperperiod, most); ok {
		cads = append(cads, exact)
	} else if base, ok := newTiming(kept, nil, p.array.Grain()).common(p.opt.MaxHyperperiod); ok {
		if c := t.evenOver(base, most, p.utilization); c != nil {
			cads = append(cads, c)
		}
	}
	found, _ := p.solveAny(cads)
	return found
}

// snapWaste is how many times the bus time of even periods snapped ones may ask for and still be tried first: periods
// that divide one another fit more easily, as jobs then meet in the same way every time.
const snapWaste = 1.1

// cadences finds the releases for the rates and deadlines of tasks, the most promising first: exact ones where the
// table stays small; then periods snapped to powers of two of one base, and whole numbers of jobs in a common time,
// which raise some rates. Those are tried after the exact ones too: what is accepted must not turn on whether a rate
// can be kept exactly.
func (p *planner) cadences(tasks []*program.Task) ([]*cadence, *facetdv1.Refusal) {
	periods := make([]*big.Rat, len(tasks))
	deadlines := make([]time.Duration, len(tasks))
	costs := make([]time.Duration, len(tasks))
	for i, t := range tasks {
		periods[i], deadlines[i] = t.Period, t.Deadline
		costs[i] = p.whole[i].Total()
	}
	most := int64(p.opt.MaxSegments)
	t := newTiming(periods, deadlines, p.array.Grain())
	exact, ok := t.exact(p.opt.MaxHyperperiod, most)
	if !ok {
		exact = nil
	}
	snapped, ok := t.snapped(costs, most)
	if !ok && exact == nil {
		return nil, &facetdv1.Refusal{
			Reason: facetdv1.RefusalReason_REFUSAL_REASON_UNDECIDED,
			Message: fmt.Sprintf("a table of these rates has %d jobs, more than the %d that are searched",
				snapped.total(), most),
		}
	}
	if !ok {
		snapped = nil
	}
	even := t.even(most, p.utilization)
	if even != nil && snapped != nil && p.utilization(snapped) > snapWaste*p.utilization(even) {
		snapped, even = even, snapped
	}
	var out []*cadence
	for _, c := range []*cadence{exact, snapped, even} {
		if c != nil && !slices.ContainsFunc(out, c.sameRates) {
			out = append(out, c)
		}
	}
	return out, nil
}

// hair is the part of itself by which raised shortens a period.
const hair = 500_000

// raised plans the tasks with the rate of one raised by a hair, which has no exact table any more: the planner then
// raises it, and others, to rates that may fit although those asked for do not. Whoever would type 50.0001 Hz after 50
// Hz was refused gets that at once.
func (p *planner) raised(asked []*program.Task) *attempt {
	own := *p
	own.states = rateStates
	for i, t := range asked {
		tasks := slices.Clone(asked)
		tasks[i] = t.At(t.Slower(big.NewRat(hair+1, hair)).RateHz) // its deadline stays
		if found := own.search(tasks); found != nil {
			return found
		}
	}
	return nil
}

// solveAny looks for a table for the first cadence that has one. The refusal is that of the first cadence, the most
// promising one.
func (p *planner) solveAny(cads []*cadence) (*attempt, *facetdv1.Refusal) {
	var first *facetdv1.Refusal
	for _, cad := range cads {
		found, refusal := p.solve(cad)
		if found != nil {
			return found, nil
		}
		if first == nil {
			first = refusal
		}
	}
	return nil, first
}

// solve looks for a table: first with whole jobs, then with jobs cut ever finer, as every cut costs bus time and
// lengthens holds. Where a cut job would hold too long, its chips are then loaded in batches as well, which costs skew.
func (p *planner) solve(cad *cadence) (*attempt, *facetdv1.Refusal) {
	if r := p.reject(cad); r != nil {
		return nil, r
	}
	limits := p.limits(cad)
	found, last, undecided := p.try(cad, limits, p.program)
	if found != nil {
		return found, nil
	}
	if slices.ContainsFunc(p.tasks, func(t *program.Task) bool { return t.MaxHold > 0 }) {
		var also bool
		if found, _, also = p.try(cad, limits[1:], p.batched); found != nil {
			return found, nil
		}
		undecided = undecided || also
	}
	return nil, p.explain(cad, last, undecided)
}

// try looks for a table with segments of ever shorter limits. It returns what fits,
// or the finest attempt that did not, and whether any of them was left undecided.
func (p *planner) try(cad *cadence, limits []time.Duration,
	cut func(int, time.Duration) *program.Program) (found *attempt, last *failure, undecided bool) {
	for _, limit := range limits {
		programs := make([]*program.Program, len(p.tasks))
		var segments int64
		for i := range p.tasks {
			programs[i] = cut(i, limit)
			if last != nil && programs[i].Longest() >= last.programs[i].Longest() {
				programs[i] = last.programs[i] // it cannot be cut shorter
			}
			segments += cad.jobs[i] * int64(len(programs[i].Segments))
		}
		if last != nil && (longest(programs) >= longest(last.programs) || segments > int64(p.opt.MaxSegments)) {
			break // what is in the way cannot be cut shorter
		}
		res, err := timetable.Plan(p.names(), cad.hyperperiod, p.jobs(cad, programs),
			timetable.Options{States: p.states, Ticks: ticks, Queue: p.opt.Queue})
		p.spent += segments + int64(res.States)
		if err != nil { // the jobs are wrong: an error of the planner, not of the tasks
			return nil, &failure{programs, timetable.Result{Witness: &timetable.Witness{Message: err.Error()}}, last},
				true
		}
		if res.Verdict == timetable.Feasible {
			return &attempt{cad, programs, res}, nil, false
		}
		undecided = undecided || res.Verdict == timetable.Unknown
		last = &failure{programs, res, last}
		if res.Method == timetable.MethodQueue {
			break // a cut makes more segments of it
		}
	}
	return nil, last, undecided
}

func longest(programs []*program.Program) time.Duration {
	var most time.Duration
	for _, p := range programs {
		most = max(most, p.Longest())
	}
	return most
}

// failure is the finest attempt that did not fit.
type failure struct {
	programs []*program.Program
	result   timetable.Result
	coarser  *failure // with longer segments, which failed before; nil for whole jobs
}

// plan makes the plan of an attempt that fits.
func (p *planner) plan(at *attempt) (*Plan, error) {
	plan := &Plan{Array: p.array, Hyperperiod: time.Duration(at.cad.hyperperiod), TriggerLead: p.opt.TriggerLead,
		Queue: p.opt.Queue}
	ops, err := program.Initialization(p.words, p.tasks)
	if err != nil {
		return nil, &InternalError{"the initialization: " + err.Error()}
	}
	plan.Initialization.Ops = ops
	plan.InitializationTime = bus.CostOf(p.array, ops).Total()
	for i, t := range p.tasks {
		prog := at.programs[i]
		plan.Tasks = append(plan.Tasks, TaskPlan{
			Task: t, Members: membersOf(t, p.wanted), JobsPerCycle: int(at.cad.jobs[i]), Program: prog,
		})
	}
	plan.Entries = make([]Entry, 0, len(at.result.Table.Placements))
	for _, pl := range at.result.Table.Placements {
		plan.Entries = append(plan.Entries, Entry{
			Task: pl.Task, Job: pl.Number, Segment: pl.Segment,
			Start: time.Duration(pl.Start), End: time.Duration(pl.End),
			Release:  time.Duration(at.cad.release(pl.Task, int64(pl.Number))),
			Deadline: time.Duration(at.cad.deadline(pl.Task, int64(pl.Number))),
		})
		plan.Busy.Add(plan.Tasks[pl.Task].Costs[pl.Segment])
	}
	slices.SortFunc(plan.Entries, func(x, y Entry) int { return cmp.Compare(x.Start, y.Start) })
	plan.Message = (&report{p, plan, at}).message()
	return plan, nil
}
