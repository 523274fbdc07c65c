package scheduler

import (
	"cmp"
	"math"
	"math/big"
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/timetable"
)

// stretch adds to a refusal the least factor on all periods and deadlines that fits: the exact one for whole jobs, or a
// smaller one on a grid at which cut jobs fit. It is called exact only where no smaller factor fits, cut or not.
func (p *remedies) stretch(cad *cadence, r *facetdv1.Refusal) {
	p.states = stretchStates
	fits := func(f *big.Rat) bool {
		if !f.Num().IsInt64() || !f.Denom().IsInt64() || f.Cmp(big.NewRat(maxStretch, 1)) > 0 {
			return false
		}
		_, refusal := p.solve(cad.stretched(f.Num().Int64(), f.Denom().Int64()))
		return refusal == nil
	}
	set := func(f *big.Rat, exact bool) {
		r.LeastStretch = &facetdv1.Fraction{Numerator: f.Num().Int64(), Denominator: f.Denom().Int64()}
		r.LeastStretchExact, r.Stretched = exact, p.stretchedTasks(f)
	}
	ticks, ok := p.wholeTasks(cad)
	var whole *big.Rat
	proved, least := false, big.NewRat(1, 1)
	if ok {
		least = leastDemand(cad, ticks)
		var verdict timetable.Verdict
		whole, verdict, _ = timetable.MinStretch(ticks, timetable.Options{States: stretchStates, Jobs: stretchJobs})
		proved = verdict == timetable.Feasible
	}
	if whole != nil && fits(whole) {
		// On a coarse grain a smaller factor may give the same whole grains.
		set(whole, proved && cad.grain == 1 && (!p.divisible() || whole.Cmp(least) == 0))
		if r.LeastStretchExact {
			return
		}
	} else {
		whole = nil
	}
	if grid := gridStretch(fits, least, whole); grid != nil && (whole == nil || grid.Cmp(whole) < 0) {
		set(grid, false)
	}
}

// stretchedTasks are the tasks at rates lower by a factor or a little more, as decimal numbers that fit when they are
// typed in; nil where none were found. All rates are multiplied by the same short decimal number, so that those that
// divide one another still do.
func (p *remedies) stretchedTasks(factor *big.Rat) []*facetdv1.StretchedTask {
	for _, digits := range []int{4, 6, 9, 3, 2} {
		slow := shortDecimal(new(big.Rat).Inv(factor), digits)
		if slow.Sign() == 0 {
			continue
		}
		tasks := make([]*program.Task, len(p.tasks))
		out := make([]*facetdv1.StretchedTask, len(p.tasks))
		for i, t := range p.tasks {
			tasks[i] = t.Slower(slow)
			out[i] = &facetdv1.StretchedTask{Task: t.Name, RateHz: tasks[i].RateHz}
			if t.OwnDeadline {
				out[i].DeadlineNs = new(int64(tasks[i].Deadline))
			}
		}
		if p.search(tasks) != nil {
			return out
		}
	}
	return nil
}

// shortDecimal is a number below 1 rounded down to a number of significant decimal digits.
func shortDecimal(r *big.Rat, digits int) *big.Rat {
	f, _ := r.Float64()
	places := digits - 1 - int(math.Floor(math.Log10(f)))
	scale := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil))
	whole := new(big.Rat).Mul(r, scale)
	return new(big.Rat).Quo(new(big.Rat).SetInt(new(big.Int).Quo(whole.Num(), whole.Denom())), scale)
}

// gridStretch is the least factor on a grid that is found to fit, or nil. None below least does; fitting, where it is
// not nil, does. It halves the interval although a larger factor need not fit where a smaller one does: without
// preemption, slower tasks can fail where faster ones fit. Hence the answer fits, but is not called exact.
func gridStretch(fits func(*big.Rat) bool, least, fitting *big.Rat) *big.Rat {
	at := func(num int64) *big.Rat { return big.NewRat(num, stretchDen) }
	// steps is how many steps a factor is, rounded up.
	steps := func(f *big.Rat) int64 {
		v := new(big.Int).Mul(f.Num(), big.NewInt(stretchDen))
		v.Add(v, f.Denom()).Sub(v, big.NewInt(1))
		return v.Quo(v, f.Denom()).Int64()
	}
	low := max(stretchDen, steps(least)-1)
	high := 2 * low
	if fitting != nil {
		high = steps(fitting)
	} else {
		for high < maxStretch*stretchDen && !fits(at(high)) {
			low, high = high, 2*high
		}
		if high >= maxStretch*stretchDen {
			return nil
		}
	}
	for high-low > 1 {
		if mid := (low + high) / 2; fits(at(mid)) {
			high = mid
		} else {
			low = mid
		}
	}
	return at(high)
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// leastDemand is a factor below which no set of jobs fits, cut or not, with
// preemption or without: the largest, over all deadlines d of the synchronous
// release, of the cost of all jobs due by d over d (Baruah, Rosier and Howell,
// Real-Time Systems 2, 1990, from memory), and the utilization. Cutting a job only adds to it.
func leastDemand(cad *cadence, tasks []timetable.Task) *big.Rat {
	type due struct{ at, cost int64 }
	var all []due
	most := new(big.Rat)
	for i, t := range tasks {
		most.Add(most, big.NewRat(t.Cost, t.Period))
		for k := range cad.jobs[i] {
			all = append(all, due{k*t.Period + t.Deadline, t.Cost})
		}
	}
	slices.SortFunc(all, func(x, y due) int { return cmp.Compare(x.at, y.at) })
	var sum int64
	near, _ := most.Float64()
	for _, d := range all {
		sum += d.cost
		if ratio := float64(sum) / float64(d.at); ratio > near*(1-1e-9) { // near enough to need exact numbers
			if f := big.NewRat(sum, d.at); f.Cmp(most) > 0 {
				most, near = f, ratio
			}
		}
	}
	return most
}
