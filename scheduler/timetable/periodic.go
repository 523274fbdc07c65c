package timetable

import (
	"fmt"
	"math"
	"math/big"
)

// PlanPeriodic decides a set of periodic tasks that are released together at 0.
// Beyond what Plan does it first tries the test for any phase, which needs no
// table. The only error is *InputError.
func PlanPeriodic(tasks []Task, opt Options) (Result, error) {
	if err := checkTasks(tasks); err != nil {
		return Result{}, err
	}
	u := utilizationOf(tasks)
	if u.Cmp(big.NewRat(1, 1)) > 0 {
		f, _ := u.Float64()
		return Result{Verdict: Infeasible, Method: MethodUtilization, Utilization: u, Witness: &Witness{
			Message: fmt.Sprintf("the tasks ask for %.4g %% of the bus", 100*f),
		}}, nil
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

// undecidedSize is the answer for a hyperperiod that is too long to lay out. The
// test for any phase may still accept; there is no table then.
func undecidedSize(tasks []Task, u *big.Rat, opt Options) Result {
	if fits, _ := AnyPhase(tasks); fits {
		return Result{Verdict: Feasible, Method: MethodAnyPhase, Utilization: u}
	}
	return Result{Verdict: Unknown, Method: MethodCap, Utilization: u, Witness: &Witness{
		Message: "the hyperperiod has too many jobs to lay out; choose periods that share factors",
	}}
}

func checkTasks(tasks []Task) error {
	var m []string
	if len(tasks) == 0 {
		m = append(m, "there are no tasks")
	}
	for i, t := range tasks {
		name := t.Name
		if name == "" {
			name = fmt.Sprintf("%d", i)
		}
		switch {
		case t.Cost <= 0:
			m = append(m, fmt.Sprintf("task %s: the cost of %d is not above 0", name, t.Cost))
		case t.Period <= 0:
			m = append(m, fmt.Sprintf("task %s: the period of %d is not above 0", name, t.Period))
		case t.Deadline < 0 || t.Deadline > t.Period:
			m = append(m, fmt.Sprintf("task %s: the deadline of %d is not between 0 and the period of %d", name, t.Deadline, t.Period))
		}
	}
	if len(m) > 0 {
		return &InputError{m}
	}
	return nil
}

func utilizationOf(tasks []Task) *big.Rat {
	u := new(big.Rat)
	for _, t := range tasks {
		u.Add(u, big.NewRat(t.Cost, t.Period))
	}
	return u
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
			jobs = append(jobs, Job{Task: i, Number: int(k), Release: k * t.Period, Deadline: k*t.Period + t.deadline(), Costs: costs})
		}
	}
	return newProblem(names, h, jobs, opt), true
}

// AnyPhase is the exact test for non-preemptive EDF when tasks may be released at
// any times at least a period apart: utilization at most 1, and for every absolute
// deadline t of the synchronous release, the demand up to t and the longest cost,
// less one tick, of a task with a later deadline are at most t. Jeffay, Stanat and
// Martel, RTSS 1991, for deadlines equal to periods; George, Rivierre and Spuri,
// INRIA RR-2966, 1996, in general; integer time. It returns the first deadline
// that fails. A set that it refuses may still fit when all are released together.
func AnyPhase(tasks []Task) (fits bool, failsAt int64) {
	if utilizationOf(tasks).Cmp(big.NewRat(1, 1)) > 0 {
		return false, 0
	}
	end, ok := busyPeriod(tasks)
	if !ok {
		return false, 0
	}
	for t := range deadlines(tasks, end) {
		blocking := int64(0)
		for _, k := range tasks {
			if k.deadline() > t {
				blocking = max(blocking, k.Cost-1)
			}
		}
		if DemandBound(tasks, t)+blocking > t {
			return false, t
		}
	}
	return true, 0
}

// busyPeriod is the longest time that the bus stays busy, the longest blocking
// included; beyond it no deadline can fail. With a utilization of exactly 1 it is
// the hyperperiod. It gives up where that is too long to walk.
func busyPeriod(tasks []Task) (int64, bool) {
	h, ok := Hyperperiod(tasks)
	limit := int64(math.MaxInt64 / 4)
	if ok {
		limit = h
	}
	var longest, t int64
	for _, k := range tasks {
		longest = max(longest, k.Cost)
		t += k.Cost
	}
	t += longest
	for range 100_000 {
		next := longest
		for _, k := range tasks {
			next += (t + k.Period - 1) / k.Period * k.Cost
		}
		if next == t || next >= limit {
			return min(next, limit) + longest, true
		}
		t = next
	}
	return 0, false
}
