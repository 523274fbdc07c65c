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
	"facetd.example/scheduler/timetable"
)

// Options bound the work of Build. The zero value is the default.
type Options struct {
	// MaxSegments is the most segments of one hyperperiod; 0 means 20,000.
	MaxSegments int
	// MaxHyperperiod is the longest table that gives every task exactly the rate
	// asked for; beyond it periods are snapped. 0 means one minute.
	MaxHyperperiod time.Duration
	// NoBounds leaves out what would fit from a refusal: the least stretch, the highest
	// rates and the suggestions; and advice from a plan.
	NoBounds bool
}

const (
	defaultMaxSegments    = 20000
	defaultMaxHyperperiod = time.Minute
)

// Build plans tasks on an array. Errors: invalid.Errors, *RefusalError for
// tasks that do not fit, *InternalError for a plan that its own check found wrong.
func Build(a *chipmodel.Array, tasks []*Task, opt Options) (*Plan, error) {
	if a.WiringOnly || len(tasks) == 0 {
		var m invalid.Errors
		m.Add("tasks", "there is nothing to plan", "give at least one task, and an array with classes, lanes and timing")
		return nil, m
	}
	if opt.MaxSegments == 0 {
		opt.MaxSegments = defaultMaxSegments
	}
	if opt.MaxHyperperiod == 0 {
		opt.MaxHyperperiod = defaultMaxHyperperiod
	}
	p := &planner{a: a, tasks: tasks, opt: opt, words: newWords(a), start: assumed(a, tasks)}
	if refusal := p.prepare(); refusal != nil {
		if !opt.NoBounds && refusal.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_SELECT {
			p.suggest(refusal)
		}
		return nil, &RefusalError{refusal}
	}
	cads, refusal := p.cadences(p.asked)
	apart := sync.OnceValue(func() *attempt {
		var found *attempt
		if refusal == nil {
			found, refusal = p.solveAny(cads)
		}
		return found
	})
	by, found := p.shared(apart)
	if found == nil {
		by, found = p, apart()
	}
	if found == nil {
		if !opt.NoBounds && cads != nil {
			p.bound(cads[0], refusal)
			p.suggest(refusal)
			// It was found for the tasks apart; with a load shared less may do.
			refusal.LeastStretchExact = refusal.GetLeastStretchExact() && !p.mayShare()
		}
		return nil, &RefusalError{refusal}
	}
	plan, err := by.plan(found)
	if err != nil {
		return nil, err
	}
	if err := check(plan, by.jobs(found.cad, found.programs), found.result.Table); err != nil {
		return nil, err
	}
	if !opt.NoBounds {
		plan.Message.Advice = by.advise(found)
	}
	return plan, nil
}

// InternalError is a plan that violated a rule: an error of facetd, not of the tasks.
// The caller should report it and keep the plan in force.
type InternalError struct{ Message string }

func (e *InternalError) Error() string { return "internal error: " + e.Message }

// planner plans one set of tasks.
type planner struct {
	a     *chipmodel.Array
	tasks []*Task // of the bus jobs
	// wanted are the tasks as asked for, where some of them share bus jobs.
	wanted []*Task
	opt    Options
	words  *words
	start  Registers
	// states bounds the search for each table; 0 is the timetable's default.
	states int

	compilers []*compiler
	batches   []int
	whole     []*program // each job in one segment
	// cut holds the programs by task and limit.
	cut map[cutKey]*program
	// pays says which bus jobs of several tasks pay, by name; unshared counts those
	// that do not.
	pays     map[string]bool
	unshared int
}

type cutKey struct {
	task  int
	limit time.Duration
}

// attempt is a set of tasks that fits.
type attempt struct {
	cad      *cadence
	programs []*program
	result   timetable.Result
}

// prepare compiles every job in one piece and decides in how many batches each is
// loaded. It refuses what no timetable could help.
func (p *planner) prepare() *facetdv1.Refusal {
	p.cut = map[cutKey]*program{}
	for _, t := range p.tasks {
		c, err := newCompiler(p.a, p.words, t, p.start)
		if err == nil {
			var refusal *facetdv1.Refusal
			var whole *program
			var batches int
			whole, batches, refusal, err = c.uninterrupted()
			if refusal != nil {
				return refusal
			}
			p.compilers = append(p.compilers, c)
			p.batches = append(p.batches, batches)
			p.whole = append(p.whole, whole)
		}
		if err != nil {
			return &facetdv1.Refusal{
				Reason: facetdv1.RefusalReason_REFUSAL_REASON_SELECT, Task: t.Name,
				Message: fmt.Sprintf("task %s: %v", t.Name, err),
			}
		}
	}
	return nil
}

// uninterrupted compiles a job in one piece, in the fewest batches that keep hold
// and skew within the task's limits when nothing interrupts it.
func (c *compiler) uninterrupted() (*program, int, *facetdv1.Refusal, error) {
	most := 1
	if c.task.Class.Kind.HasMemory() && c.task.MaxHold > 0 {
		most = len(c.groups)
	}
	var first *course
	for batches := 1; batches <= most; batches++ {
		p, err := c.compile(batches, 0)
		if err != nil {
			if batches > 1 {
				continue // these batches cannot be reached apart; others may
			}
			return nil, 0, nil, err
		}
		seen := p.follow(c.a, len(c.frames), p.backToBack())
		if first == nil {
			first = seen
		}
		held := c.task.MaxHold > 0 && seen.worstHold() > int64(c.task.MaxHold)
		apart := c.task.MaxSkew > 0 && seen.skew() > int64(c.task.MaxSkew)
		if !held && !apart {
			return p, batches, nil, nil
		}
	}
	return nil, 0, c.limitRefusal(first), nil
}

// limitRefusal says why a job breaks its own limits even when nothing interrupts
// it, from its course in one batch.
func (c *compiler) limitRefusal(one *course) *facetdv1.Refusal {
	t := c.task
	if t.MaxSkew > 0 && one.skew() > int64(t.MaxSkew) {
		return &facetdv1.Refusal{
			Reason: facetdv1.RefusalReason_REFUSAL_REASON_SKEW, Task: t.Name,
			NeededNs: one.skew(), AvailableNs: int64(t.MaxSkew),
			Message: fmt.Sprintf("the frames of task %s would be sampled %s apart even when nothing interrupts it, but its max_skew is %s",
				t.Name, Millis(one.skew()), Millis(int64(t.MaxSkew))),
		}
	}
	how := ""
	if t.MaxSkew > 0 {
		how = fmt.Sprintf(", and loading in batches would break its max_skew of %s or not help", Millis(int64(t.MaxSkew)))
	} else if len(c.groups) > 1 {
		how = ", and loading in batches does not help"
	}
	return &facetdv1.Refusal{
		Reason: facetdv1.RefusalReason_REFUSAL_REASON_HOLD, Task: t.Name,
		NeededNs: one.worstHold(), AvailableNs: int64(t.MaxHold),
		Message: fmt.Sprintf("task %s would hold its last chip for %s even when nothing interrupts it, but its max_hold is %s%s",
			t.Name, Millis(one.worstHold()), Millis(int64(t.MaxHold)), how),
	}
}

// asked is a task's rate and relative deadline.
func (p *planner) asked(i int) (float64, time.Duration) {
	return p.tasks[i].Spec.GetRateHz(), p.tasks[i].Deadline
}

// snapWaste is how much more bus time snapped periods may ask for than even ones
// and still be tried first: periods that divide one another fit more easily.
const snapWaste = 1.1

// cadences finds the releases for rates and deadlines, the most promising first:
// exact ones where the table stays small; else periods snapped to powers of two of
// one base, and whole numbers of jobs in a common time.
func (p *planner) cadences(asked func(task int) (float64, time.Duration)) ([]*cadence, *facetdv1.Refusal) {
	periods := make([]*big.Rat, len(p.tasks))
	deadlines := make([]time.Duration, len(p.tasks))
	costs := make([]time.Duration, len(p.tasks))
	for i := range p.tasks {
		rate, deadline := asked(i)
		periods[i], deadlines[i] = periodOf(rate), deadline
		costs[i] = p.whole[i].total()
	}
	most := int64(p.opt.MaxSegments)
	if c, ok := exactCadence(periods, deadlines, p.opt.MaxHyperperiod, most); ok {
		return []*cadence{c}, nil
	}
	snapped, ok := snappedCadence(periods, deadlines, costs, most)
	if !ok {
		return nil, &facetdv1.Refusal{
			Reason:  facetdv1.RefusalReason_REFUSAL_REASON_UNDECIDED,
			Message: fmt.Sprintf("a table of these rates has %d jobs, more than the %d that are searched", snapped.total(), most),
		}
	}
	even := evenCadence(periods, deadlines, most, p.utilization)
	switch {
	case even == nil:
		return []*cadence{snapped}, nil
	case p.utilization(snapped) > snapWaste*p.utilization(even):
		return []*cadence{even, snapped}, nil
	}
	return []*cadence{snapped, even}, nil
}

// solveAny looks for a table for the first cadence that has one. The refusal is
// that of the first cadence.
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

// program returns a task's program with segments of at most limit.
func (p *planner) program(task int, limit time.Duration) *program {
	if limit == 0 || p.whole[task].total() <= limit {
		return p.whole[task]
	}
	key := cutKey{task, limit}
	if have := p.cut[key]; have != nil {
		return have
	}
	prog, err := p.compilers[task].compile(p.batches[task], limit)
	if err != nil {
		prog = p.whole[task] // too fine: the words were found when it compiled whole
	}
	p.cut[key] = prog
	return prog
}

// batched returns a task's program in as many batches as it takes for every batch
// to be a segment of at most limit: then nothing that runs in between lengthens a
// hold. It is the plain program where the task's limits or words do not allow it.
func (p *planner) batched(task int, limit time.Duration) *program {
	plain := p.program(task, limit)
	c := p.compilers[task]
	if c.task.MaxHold == 0 || len(plain.segments) == 1 {
		return plain
	}
	key := cutKey{task, -limit}
	if have := p.cut[key]; have != nil {
		return have
	}
	p.cut[key] = plain
	for n := max(p.batches[task], 2); n <= len(c.groups); n++ {
		prog, err := c.compile(n, limit)
		if err != nil || prog.longest() > limit {
			continue
		}
		seen := prog.follow(p.a, len(c.frames), prog.backToBack())
		if c.task.MaxSkew == 0 || seen.skew() <= int64(c.task.MaxSkew) {
			p.cut[key] = prog
			break
		}
	}
	return p.cut[key]
}

// solve looks for a table: first with whole jobs, then with jobs cut ever finer,
// then with those that may not hold long loaded in batches as well.
func (p *planner) solve(cad *cadence) (*attempt, *facetdv1.Refusal) {
	if r := p.reject(cad); r != nil {
		return nil, r
	}
	limits := p.limits(cad)
	found, last, undecided := p.try(cad, limits, p.program)
	if found != nil {
		return found, nil
	}
	if slices.ContainsFunc(p.tasks, func(t *Task) bool { return t.MaxHold > 0 }) {
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
func (p *planner) try(cad *cadence, limits []time.Duration, cut func(int, time.Duration) *program) (found *attempt, last *failure, undecided bool) {
	for _, limit := range limits {
		programs := make([]*program, len(p.tasks))
		var segments int64
		for i := range p.tasks {
			programs[i] = cut(i, limit)
			if last != nil && programs[i].longest() >= last.programs[i].longest() {
				programs[i] = last.programs[i] // it cannot be cut shorter
			}
			segments += cad.jobs[i] * int64(len(programs[i].segments))
		}
		if last != nil && (longest(programs) >= longest(last.programs) || segments > int64(p.opt.MaxSegments)) {
			break // what is in the way cannot be cut shorter
		}
		res, err := timetable.Plan(p.names(), cad.hyperperiod, p.jobs(cad, programs), timetable.Options{States: p.states, Ticks: Millis})
		if err != nil { // jobs that are no input for a table: an error here, not of the tasks
			return nil, &failure{programs, timetable.Result{Witness: &timetable.Witness{Message: err.Error()}}}, true
		}
		if res.Verdict == timetable.Feasible {
			return &attempt{cad, programs, res}, nil, false
		}
		undecided = undecided || res.Verdict == timetable.Unknown
		last = &failure{programs, res}
	}
	return nil, last, undecided
}

func longest(programs []*program) time.Duration {
	var most time.Duration
	for _, p := range programs {
		most = max(most, p.longest())
	}
	return most
}

// failure is the finest attempt that did not fit.
type failure struct {
	programs []*program
	result   timetable.Result
}

// maxCuts is how many segment lengths are tried.
const maxCuts = 8

// limits lists the segment lengths to try: none, then what the tightest task
// leaves free, then half of it again and again.
func (p *planner) limits(cad *cadence) []time.Duration {
	var longest time.Duration
	gap := int64(0)
	for i := range p.tasks {
		longest = max(longest, p.whole[i].total())
		if g := p.gap(cad, i); gap == 0 || g < gap {
			gap = g
		}
	}
	out := []time.Duration{0}
	if len(p.tasks) == 1 {
		return out // nothing to interleave with
	}
	limit := time.Duration(gap)
	if limit >= longest {
		limit = longest / 2
	}
	for len(out) < maxCuts && limit > 0 {
		out = append(out, limit)
		limit /= 2
	}
	return out
}

// gap is the longest time that a task whose jobs are whole can leave free between
// two of them: one as early as it can, the next as late.
func (p *planner) gap(cad *cadence, task int) int64 {
	c := int64(p.whole[task].total())
	period := (cad.hyperperiod + cad.jobs[task] - 1) / cad.jobs[task]
	return max(period+cad.window(task)-2*c, 1)
}

func (p *planner) names() []string {
	names := make([]string, len(p.tasks))
	for i, t := range p.tasks {
		names[i] = t.Name
	}
	return names
}

// jobs lists the jobs of one hyperperiod.
func (p *planner) jobs(cad *cadence, programs []*program) []timetable.Job {
	jobs := make([]timetable.Job, 0, cad.total())
	cut := slices.ContainsFunc(programs, func(p *program) bool { return len(p.segments) > 1 })
	for i, t := range p.tasks {
		prog := programs[i]
		costs := make([]int64, len(prog.costs))
		for s := range costs {
			costs[s] = int64(prog.costs[s].Total())
		}
		job := timetable.Job{Task: i, Costs: costs}
		if cut {
			job.Resources = t.Chips // whole jobs too must not touch what a cut one holds
		}
		if len(costs) > 1 {
			job.Within = prog.within(p.a, t)
		}
		for k := range cad.jobs[i] {
			job.Number = int(k)
			job.Release, job.Deadline = cad.release(i, k), cad.deadline(i, k)
			jobs = append(jobs, job)
		}
	}
	return jobs
}

// plan makes the plan of an attempt that fits.
func (p *planner) plan(at *attempt) (*Plan, error) {
	plan := &Plan{Array: p.a, Hyperperiod: time.Duration(at.cad.hyperperiod)}
	ops, err := p.opening()
	if err != nil {
		return nil, err
	}
	plan.Opening.Ops = ops
	plan.OpeningTime = bus.CostOf(p.a, ops).Total()
	for i, t := range p.tasks {
		prog := at.programs[i]
		plan.Tasks = append(plan.Tasks, TaskPlan{
			Task: t, Members: membersOf(t, p.wantedTasks()), JobsPerCycle: int(at.cad.jobs[i]),
			Segments: prog.segments, Costs: prog.costs, Frames: p.compilers[i].frames,
		})
	}
	plan.Entries = make([]Entry, 0, len(at.result.Table.Placements))
	for _, pl := range at.result.Table.Placements {
		plan.Entries = append(plan.Entries, Entry{
			Task: pl.Task, Job: pl.Number, Segment: pl.Segment, Start: pl.Start, End: pl.End,
			Release: at.cad.release(pl.Task, int64(pl.Number)), Deadline: at.cad.deadline(pl.Task, int64(pl.Number)),
		})
		plan.Busy.Add(plan.Tasks[pl.Task].Costs[pl.Segment])
	}
	slices.SortFunc(plan.Entries, func(x, y Entry) int { return cmp.Compare(x.Start, y.Start) })
	plan.Message = p.message(plan, at)
	return plan, nil
}

// opening brings every register to what the table assumes, from any state. It
// disables every output first, chip by chip with the fewest inputs first, so that
// no word reaches two chips of one lane whose outputs may be enabled.
func (p *planner) opening() ([]bus.Op, error) {
	e := &emitter{a: p.a, words: p.words, regs: NewRegisters(p.a, Unknown)}
	order := p.a.All()
	slices.SortStableFunc(order, func(x, y int) int {
		return cmp.Compare(p.a.Chips[x].Wires.Len(), p.a.Chips[y].Wires.Len())
	})
	for _, c := range order {
		if e.regs[c][chipmodel.OutputEnable] != 0 {
			e.selectWord(p.a.Chips[c].Wires)
			e.alone(p.a.Reach(p.a.Chips[c].Wires), write(chipmodel.OutputEnable, 0))
		}
	}
	var settle time.Duration
	for _, t := range p.tasks {
		var actions []action
		wanted := wishes(t)
		for reg := facetdv1.Register(1); int(reg) < chipmodel.NumRegisters; reg++ {
			w, ok := wanted[reg]
			relied := func(c int) bool { return p.start[c][reg] == int32(w.last) }
			if ok && slices.ContainsFunc(t.Chips, relied) {
				actions = append(actions, write(reg, w.last))
			}
		}
		wrote, err := e.apply(t.Chips, actions)
		if err != nil {
			return nil, &InternalError{"the opening: " + selectErrorOf(p.a, err).message}
		}
		if wrote && t.Class.Kind == chipmodel.InArraySwitch {
			settle = max(settle, t.Class.Spec.GetInArraySwitch().GetPatternSettle().AsDuration())
		}
	}
	if settle > 0 {
		e.emit(bus.Op{Kind: bus.OpWait, Hold: settle, Phase: settlePhase})
	}
	return e.take(), nil
}
