package timetable

import (
	"math/bits"
	"slices"
)

// Bounds of the periods that HighestRate tries.
const (
	maxPeriods = 256
	maxFactor  = 1 << 20 // prime factors above it are not taken apart
	maxRepeats = 4       // hyperperiods
)

// HighestRate is the shortest period of one task, not below its own, with which
// the tasks fit, the others unchanged; its deadline keeps its distance to the
// period. It looks at the periods that keep the table short: the divisors of the
// hyperperiod, then its multiples up to the fourth. Longer is not always easier,
// so it tries them in turn.
//
// The verdict is Infeasible, and the period 0, where none of them fits; it is
// Unknown where a shorter one was left undecided: the period, if not 0, then fits
// but may not be the shortest. The only error is *InputError.
func HighestRate(tasks []Task, task int, opt Options) (period int64, verdict Verdict, err error) {
	if err := checkTasks(tasks); err != nil {
		return 0, Unknown, err
	}
	if task < 0 || task >= len(tasks) {
		var m errs
		m.add("there is no task %d of %d", task, len(tasks))
		return 0, Unknown, m.err()
	}
	h, ok := Hyperperiod(tasks)
	if !ok || h > maxTime/maxRepeats {
		return 0, Unknown, nil
	}
	own := tasks[task]
	slack := own.Period - own.deadline()
	trial := slices.Clone(tasks)
	verdict = Infeasible
	for n, p := range tablePeriods(h, own.Period) {
		if n == maxPeriods {
			return 0, Unknown, nil
		}
		trial[task].Period, trial[task].Deadline = p, p-slack
		r, err := PlanPeriodic(trial, opt)
		if err != nil {
			return 0, Unknown, err
		}
		switch r.Verdict {
		case Unknown:
			verdict = Unknown
		case Feasible:
			if verdict == Infeasible {
				verdict = Feasible
			}
			return p, verdict, nil
		}
	}
	return 0, verdict, nil
}

// tablePeriods lists the divisors of a hyperperiod from a period on, and its first
// multiples, in order.
func tablePeriods(h, from int64) []int64 {
	all := []int64{1}
	rest := h
	grow := func(prime int64) {
		for n, power := len(all), int64(1); rest%prime == 0; rest /= prime {
			power *= prime
			for _, d := range all[:n] {
				all = append(all, d*power)
			}
		}
	}
	for prime := int64(2); prime <= maxFactor && prime <= rest/prime; prime++ {
		grow(prime)
	}
	if rest > 1 {
		grow(rest)
	}
	all = slices.DeleteFunc(all, func(d int64) bool { return d < from })
	slices.Sort(all)
	for k := int64(2); k <= maxRepeats; k++ {
		all = append(all, k*h)
	}
	return all
}

// Snap brings periods that share few factors down to a base times powers of two,
// so that the hyperperiod is the longest period and every rate is at least what
// was asked for. Deadlines stay, or become the new period where that is shorter.
// Of all bases it takes one that asks for the least bus time, the largest of
// several: no larger base is useful than one that makes some period, halved until
// it is no longer than the shortest, exact. The only error is *InputError.
func Snap(tasks []Task) (snapped []Task, base int64, err error) {
	if err := checkTasks(tasks); err != nil {
		return nil, 0, err
	}
	shortest := tasks[0].Period
	for _, t := range tasks {
		shortest = min(shortest, t.Period)
	}
	for _, t := range tasks {
		candidate := t.Period
		for candidate > shortest {
			candidate /= 2
		}
		trial := snapTo(max(candidate, 1), tasks)
		better := snapped == nil
		if !better {
			c := utilizationOf(trial).Cmp(utilizationOf(snapped))
			better = c < 0 || c == 0 && candidate > base
		}
		if better {
			snapped, base = trial, max(candidate, 1)
		}
	}
	return snapped, base, nil
}

func snapTo(base int64, tasks []Task) []Task {
	out := slices.Clone(tasks)
	for i := range out {
		t := &out[i]
		t.Period = base << (bits.Len64(uint64(t.Period/base)) - 1)
		t.Deadline = min(t.Deadline, t.Period)
	}
	return out
}
