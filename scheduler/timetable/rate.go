package timetable

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
)

// TaskRate is the shortest period of one task that fits beside the others as they are, and what is known of shorter
// ones.
type TaskRate struct {
	Task string
	// Period in ticks; 0 where none was found.
	Period int64
	// Highest says that no shorter period down to the task's own fits in any table of at most Searched ticks: each was
	// ruled out. Without it some were left open.
	Highest bool
	// Searched is the longest table up to which every shorter period was ruled out, in ticks; 0 where that is none.
	Searched int64
	// Witness says why no period fits at all, and InTheWay which other task is the reason; empty where one may fit.
	Witness, InTheWay string
}

// What is spent on the rate of one task.
const (
	rateTables = 1 << 9
	rateJobs   = 4096
	rateStates = 4000
	rateWork   = 300_000 // for all tasks together
	minWork    = 25_000
)

// Rates finds for each task the shortest period that fits beside the others as they are. Periods are whole ticks. A
// deadline that is shorter than its period stays; one that equals it moves with it. The only error is *InputError.
func Rates(tasks []Task, opt Options) ([]TaskRate, error) {
	if err := checkTasks(tasks); err != nil {
		return nil, err
	}
	out := make([]TaskRate, len(tasks))
	for i := range tasks {
		r := &rateFinder{tasks: tasks, task: i, opt: opt, work: max(rateWork/int64(len(tasks)), minWork)}
		r.opt.States = rateStates
		out[i] = r.find()
	}
	return out, nil
}

type rateFinder struct {
	tasks []Task
	task  int
	opt   Options
	work  int64
}

func (r *rateFinder) find() TaskRate {
	t := &r.tasks[r.task]
	out := TaskRate{Task: t.Name}
	others := r.without(r.task)
	h, ok := int64(1), true
	if len(others) > 0 {
		if out.Witness, out.InTheWay = r.obstacle(others); out.Witness != "" {
			return out
		}
		h, ok = Hyperperiod(others)
	} else {
		h = t.Cost // alone, every period from its cost on fits
	}
	base, small := periodicProblem(others, r.opt)
	if len(others) > 0 && !small || !ok || h > maxTime {
		out.Period = r.anyPhase()
		return out
	}
	e := &Edge{Hyperperiod: h, Shortest: r.shortest(others), Fits: r.fits(h), MaxTables: rateTables, MaxJobs: rateJobs,
		Work: r.work}
	if len(others) > 0 {
		relaxed := &Relaxation{Names: append(base.names, t.Name), Hyperperiod: h, Others: base.jobs, Cost: t.Cost,
			Deadline: ownDeadline(t)}
		e.Refutes = relaxed.Refutes
	}
	found := e.Search()
	out.Searched = found.Searched * h
	if found.Jobs > 0 {
		out.Period = found.Tables * h / found.Jobs
		out.Highest = found.Searched > 0
	}
	return out
}

// anyPhase is a period that fits whatever the phases, the shortest that halving finds; 0 where it finds none. It needs
// no table, for hyperperiods that are too long to lay out.
func (r *rateFinder) anyPhase() int64 {
	low, high := r.tasks[r.task].Period, r.tasks[r.task].Period
	fits := func(period int64) bool {
		yes, _ := AnyPhase(r.at(period))
		return yes
	}
	for !fits(high) {
		if low, high = high, 2*high; high > maxTime/2 || high/maxSlower > r.tasks[r.task].Period {
			return 0
		}
	}
	for high-low > max(high/anyPhaseSteps, 1) {
		if middle := low + (high-low)/2; fits(middle) {
			high = middle
		} else {
			low = middle
		}
	}
	return high
}

// How many times slower anyPhase looks for a period, and how near to the shortest it comes.
const (
	maxSlower     = 1 << 10
	anyPhaseSteps = 1 << 12
)

// without is all tasks but some.
func (r *rateFinder) without(leave ...int) []Task {
	var out []Task
	for i, t := range r.tasks {
		if i != leave[0] && i != leave[len(leave)-1] {
			out = append(out, t)
		}
	}
	return out
}

// ownDeadline is the deadline of a task that has one of its own, or 0.
func ownDeadline(t *Task) int64 {
	if t.deadline() < t.Period {
		return t.Deadline
	}
	return 0
}

// shortest is the shortest period that the others leave bus time for, and at least the task's own.
func (r *rateFinder) shortest(others []Task) *big.Rat {
	t := &r.tasks[r.task]
	own := new(big.Rat).SetInt64(t.Period)
	left := new(big.Rat).Sub(one, utilizationOf(others))
	if left.Sign() <= 0 {
		return own
	}
	if least := left.Quo(new(big.Rat).SetInt64(t.Cost), left); least.Cmp(own) > 0 {
		return least
	}
	return own
}

func (r *rateFinder) fits(h int64) func(n, m int64) (Verdict, int64) {
	return func(n, m int64) (Verdict, int64) {
		if m*h%n != 0 {
			return Infeasible, 0 // not a whole number of ticks
		}
		res, err := PlanPeriodic(r.at(m*h/n), r.opt)
		if err != nil {
			return Infeasible, 0
		}
		return res.Verdict, int64(len(res.Table.Placements)+res.States) + n
	}
}

// at is the tasks with another period of the one.
func (r *rateFinder) at(period int64) []Task {
	out := append([]Task(nil), r.tasks...)
	t := &out[r.task]
	own := ownDeadline(t)
	t.Period, t.Deadline = period, 0
	if own > 0 {
		t.Deadline = min(own, period)
	}
	return out
}

// obstacle proves that no period of the task fits, and names the task that is the reason: the others do not fit even
// without it, or leave no room for a single job of it.
func (r *rateFinder) obstacle(others []Task) (witness, task string) {
	t := &r.tasks[r.task]
	if own := ownDeadline(t); own > 0 && own < t.Cost {
		return fmt.Sprintf("a job of task %s takes %s, but must be done within %s", t.Name, r.opt.time(t.Cost),
			r.opt.time(own)), t.Name
	}
	for _, o := range others {
		if gap := o.Period + o.deadline() - 2*o.Cost; t.Cost > gap {
			return fmt.Sprintf("a job of task %s takes %s, but task %s leaves at most %s between its jobs", t.Name,
				r.opt.time(t.Cost), o.Name, r.opt.time(gap)), o.Name
		}
	}
	res, err := PlanPeriodic(others, r.opt)
	if err != nil {
		return "", ""
	}
	if res.Verdict == Infeasible {
		return "without it too, " + res.Witness.Message, r.culprit(res.Witness.Task, func(rest []Task) bool {
			res, err := PlanPeriodic(rest, r.opt)
			return err == nil && res.Verdict == Feasible
		})
	}
	if !r.noRoom(others) {
		return "", ""
	}
	return fmt.Sprintf("the other tasks leave no room for a single job of task %s, which takes %s, in any timetable",
			t.Name, r.opt.time(t.Cost)), r.culprit(mostBusy(others), func(rest []Task) bool {
			return !r.noRoom(rest)
		})
}

// noRoom reports that not even a single job of the task fits beside others.
func (r *rateFinder) noRoom(others []Task) bool {
	base, ok := periodicProblem(others, r.opt)
	if !ok {
		return false
	}
	t := &r.tasks[r.task]
	one := &Relaxation{Names: append(base.names, t.Name), Hyperperiod: base.h, Others: base.jobs, Cost: t.Cost}
	return one.NoRoom()
}

// mostBusy is the name of the task that takes most of the bus.
func mostBusy(tasks []Task) string {
	return slices.MaxFunc(tasks, func(a, b Task) int {
		return cmp.Compare(float64(a.Cost)/float64(a.Period), float64(b.Cost)/float64(b.Period))
	}).Name
}

// maxCulprits is how many tasks there may be to look for the one in the way by leaving out each.
const maxCulprits = 32

// culprit is the other task without which a test passes, of several the busiest; else the named one.
func (r *rateFinder) culprit(named string, passes func([]Task) bool) string {
	if len(r.tasks) > maxCulprits {
		return named
	}
	var alone []Task
	for i := range r.tasks {
		if i == r.task {
			continue
		}
		if rest := r.without(r.task, i); len(rest) == 0 || passes(rest) {
			alone = append(alone, r.tasks[i])
		}
	}
	if len(alone) == 0 {
		return named
	}
	return mostBusy(alone)
}
