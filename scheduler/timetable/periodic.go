package timetable

import (
	"fmt"
	"math"
	"math/big"
	"slices"
)

var one = big.NewRat(1, 1)

// PlanPeriodic decides a set of periodic tasks that are released together at 0.
// Beyond what Plan does it first tries the test for any phase, which needs no
// table. The only error is *InputError.
func PlanPeriodic(tasks []Task, opt Options) (Result, error) {
	if err := checkTasks(tasks); err != nil {
		return Result{}, err
	}
	u := utilizationOf(tasks)
	if u.Cmp(one) > 0 {
		return Result{Verdict: Infeasible, Method: MethodUtilization, Utilization: u,
			Witness: overloadWitness(tasks, u)}, nil
	}
	p, ok := periodicProblem(tasks, opt)
	if !ok {
		return undecidedSize(tasks, u, opt), nil
	}
	if w, method := p.reject(); w != nil {
		return p.infeasible(w, method), nil
	}
	method := MethodEDF
	if fits, _ := AnyPhase(tasks); fits {
		method = MethodAnyPhase
	}
	return p.place(method), nil
}

// overloadWitness says that tasks ask for more than the whole bus, and names the one that asks for most.
func overloadWitness(tasks []Task, u *big.Rat) *Witness {
	f, _ := u.Float64()
	most := slices.MaxFunc(tasks, func(a, b Task) int {
		return big.NewRat(a.Cost, a.Period).Cmp(big.NewRat(b.Cost, b.Period))
	})
	w := &Witness{Message: fmt.Sprintf("the tasks ask for %.4g %% of the bus", 100*f), Task: most.Name}
	if h, ok := Hyperperiod(tasks); ok {
		if need := new(big.Rat).Mul(u, new(big.Rat).SetInt64(h)).Num(); need.IsInt64() {
			w.Needed, w.Available = need.Int64(), h
		}
	}
	return w
}

// undecidedSize is the answer for a hyperperiod that is too long to lay out. The tests that need no table may still
// refuse, and the test for any phase may still accept, without a table then.
func undecidedSize(tasks []Task, u *big.Rat, opt Options) Result {
	if w, method := rejectPeriodic(tasks, opt); w != nil {
		return Result{Verdict: Infeasible, Method: method, Utilization: u, Witness: w}
	}
	if fits, _ := AnyPhase(tasks); fits {
		return Result{Verdict: Feasible, Method: MethodAnyPhase, Utilization: u}
	}
	return Result{Verdict: Unknown, Method: MethodCap, Utilization: u, Witness: &Witness{
		Message: "the hyperperiod has too many jobs to lay out; choose periods that share factors",
	}}
}

// rejectPeriodic looks for a quick proof that tasks do not fit, without laying out
// their jobs: a cost above its deadline; a cost above what another task can leave
// free, which is T + D - 2C from the earliest end of a job to the latest start of
// the next; and more demand than time for preemptive EDF, which is optimal with
// preemption and so never misses what fits without.
func rejectPeriodic(tasks []Task, opt Options) (*Witness, string) {
	for _, t := range tasks {
		if t.Cost > t.deadline() {
			return &Witness{
				Message: fmt.Sprintf("a job of task %s takes %s, but must be done within %s", t.Name, opt.time(t.Cost),
					opt.time(t.deadline())),
				Task: t.Name, Needed: t.Cost, Available: t.deadline(),
			}, MethodWindow
		}
	}
	for i, t := range tasks {
		for k, other := range tasks {
			if gap := other.Period + other.deadline() - 2*other.Cost; i != k && t.Cost > gap {
				return &Witness{
					Message: fmt.Sprintf("an uninterrupted piece of task %s takes %s, but task %s leaves at most %s "+
						"between its jobs",
						t.Name, opt.time(t.Cost), other.Name, opt.time(gap)),
					Task: t.Name, Other: other.Name, Needed: t.Cost, Available: gap,
				}, MethodGap
			}
		}
	}
	end, ok := busyPeriod(tasks)
	if !ok {
		return nil, ""
	}
	if at, miss := overload(tasks, 0, end+1, 0); miss == missFound {
		demand := demandBound(tasks, at)
		return &Witness{
			Message: fmt.Sprintf("in the first %s %s of bus time is asked for", opt.time(at), opt.time(demand)),
			Needed:  demand, Available: at,
		}, MethodDemand
	}
	return nil, ""
}

// maxTasks limits a set of abstract tasks: the denominator of the exact utilization may have as many factors.
const maxTasks = 1000

func checkTasks(tasks []Task) error {
	var m errs
	switch {
	case len(tasks) == 0:
		m.add("there are no tasks")
	case len(tasks) > maxTasks:
		m.add("%d tasks are too many: use at most %d", len(tasks), maxTasks)
	}
	for i, t := range tasks {
		name := t.Name
		if name == "" {
			name = fmt.Sprint(i)
		}
		if wrong := t.problem(); wrong != "" {
			m.add("task %s: %s", name, wrong)
		}
	}
	return m.err()
}

// problem says what is wrong with a task, "" where nothing is.
func (t Task) problem() string {
	switch {
	case t.Cost <= 0:
		return fmt.Sprintf("the cost of %d is not above 0", t.Cost)
	case t.Period <= 0 || t.Period > maxTime:
		return fmt.Sprintf("the period of %d is not between 1 and %d", t.Period, int64(maxTime))
	case t.Cost > maxTime:
		return fmt.Sprintf("the cost of %d is above %d", t.Cost, int64(maxTime))
	case t.Deadline < 0 || t.Deadline > t.Period:
		return fmt.Sprintf("the deadline of %d is not between 0 and the period of %d", t.Deadline, t.Period)
	}
	return ""
}

// utilizationOf adds halves first, so that the fractions stay small for long.
func utilizationOf(tasks []Task) *big.Rat {
	switch n := len(tasks); n {
	case 0:
		return new(big.Rat)
	case 1:
		return big.NewRat(tasks[0].Cost, tasks[0].Period)
	default:
		return new(big.Rat).Add(utilizationOf(tasks[:n/2]), utilizationOf(tasks[n/2:]))
	}
}

// Hyperperiod is the least common multiple of the periods, or false when it does
// not fit in an int64.
func Hyperperiod(tasks []Task) (int64, bool) {
	h := int64(1)
	for _, t := range tasks {
		q := h / gcd(h, t.Period)
		if q > math.MaxInt64/t.Period {
			return 0, false
		}
		h = q * t.Period
	}
	return h, true
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// periodicProblem lays out the jobs of one hyperperiod, unless there are too many.
func periodicProblem(tasks []Task, opt Options) (*problem, bool) {
	h, ok := Hyperperiod(tasks)
	most := int64(opt.Jobs)
	if most == 0 {
		most = defaultJobs
	}
	if !ok {
		return nil, false
	}
	var n int64
	for _, t := range tasks {
		if n += h / t.Period; n > most {
			return nil, false
		}
	}
	jobs := make([]Job, 0, n)
	names := make([]string, len(tasks))
	for i, t := range tasks {
		names[i] = t.Name
		costs := []int64{t.Cost}
		for k := range h / t.Period {
			jobs = append(jobs, Job{Task: i, Number: int(k), Release: k * t.Period, Deadline: k*t.Period + t.deadline(),
				Costs: costs})
		}
	}
	return newProblem(names, h, jobs, opt), true
}

// AnyPhase is the exact test for non-preemptive EDF when tasks may be released at any times at least a period apart:
// utilization at most 1, and for every absolute deadline t of the synchronous release, the demand up to t and the
// longest cost, less one tick, of a task with a later deadline are at most t. Jeffay, Stanat and Martel, RTSS 1991, for
// deadlines equal to periods; George, Rivierre and Spuri, INRIA RR-2966, 1996, in general; integer time; both from
// memory. It returns the
// first deadline that fails (one that fails, where there are more than a million before), or 0 where the utilization
// does or the walk is too long, which counts as not fitting. A set that it refuses may still fit when all are released
// together.
//
// The blocking is the same between one relative deadline and the next, so that the walk of Zhang and Burns (see
// overload) can be used within each such stretch.
func AnyPhase(tasks []Task) (fits bool, failsAt int64) {
	if utilizationOf(tasks).Cmp(one) > 0 {
		return false, 0
	}
	end, ok := busyPeriod(tasks)
	if !ok {
		return false, 0
	}
	ends := []int64{end + 1}
	for _, k := range tasks {
		ends = append(ends, min(k.deadline(), end+1))
	}
	slices.Sort(ends)
	var from int64
	for _, to := range slices.Compact(ends) {
		blocking := int64(0)
		for _, k := range tasks {
			if k.deadline() > from {
				blocking = max(blocking, k.Cost-1)
			}
		}
		switch at, miss := overload(tasks, from, to, blocking); miss {
		case missFound:
			return false, firstOverload(tasks, from, at, blocking)
		case missTooLong:
			return false, 0
		}
		from = to
	}
	return true, 0
}

// firstOverload is the first overloaded deadline from one time to another, which is itself overloaded. The walk comes
// from above and finds the last one; a witness is easier to follow with the first.
func firstOverload(tasks []Task, from, at, blocking int64) int64 {
	for range maxWalk {
		t := at
		for _, k := range tasks {
			d := k.deadline()
			t = min(t, d+ceilDiv(max(from-d, 0), k.Period)*k.Period)
		}
		if t == at || demandBound(tasks, t)+blocking > t {
			return t
		}
		from = t + 1
	}
	return at
}

// busyPeriod is the longest time that the bus stays busy, the longest blocking
// included; beyond it no deadline can fail. With a utilization of exactly 1 it is
// the hyperperiod. It gives up where that is too long to find.
func busyPeriod(tasks []Task) (int64, bool) {
	h, ok := Hyperperiod(tasks)
	if !ok || h > 2*maxTime {
		h = 2 * maxTime
		ok = false
	}
	var longest, t int64
	for _, k := range tasks {
		longest = max(longest, k.Cost)
		t += k.Cost
	}
	t += longest
	for range maxIterations / len(tasks) {
		next := longest
		for _, k := range tasks {
			next += ceilDiv(t, k.Period) * k.Cost
		}
		switch {
		case next >= h && !ok:
			return 0, false
		case next == t || next >= h:
			return min(next, h) + longest, true
		}
		t = next
	}
	return 0, false
}
