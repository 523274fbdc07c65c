package timetable

import (
	"math/big"
	"math/bits"
)

// MinStretch is the least factor on all periods and deadlines with which the tasks
// fit, released together at 0 and without preemption; 1 or less means that they
// fit as they are. It is exact when the verdict is Feasible. Past the cap the
// verdict is Unknown and the factor, if not nil, is one that fits but may not be
// the least. The only error is *InputError.
//
// A table that fits at one factor fits, stretched, at every larger one. With a
// given order of the jobs the least factor is the largest, over its runs from a
// release r to a deadline d, of the costs in the run over d - r. So: find an order
// that fits, take its least factor, look for an order that fits at a smaller one,
// and again, until there is none. Every such factor is a fraction whose denominator
// is a d - r, which is at most the hyperperiod H; so "at a smaller one" is exactly
// "at the next smaller fraction with a denominator of at most H", its neighbour in
// the Farey sequence of that order, and whole numbers serve throughout.
func MinStretch(tasks []Task, opt Options) (*big.Rat, Verdict, error) {
	if err := checkTasks(tasks); err != nil {
		return nil, Unknown, err
	}
	s, ok := newStretcher(tasks, opt)
	if !ok {
		return nil, Unknown, nil
	}
	least, ok := s.start()
	if !ok {
		return nil, Unknown, nil
	}
	for {
		below, fits := least.below(s.base.h)
		if fits && below.num == 0 {
			return s.factor(least), Feasible, nil // no smaller one is above 0
		}
		p, ok := s.at(below)
		if !fits || !ok {
			return s.factor(least), Unknown, nil
		}
		switch r := p.ladder(); r.Verdict {
		case Infeasible:
			return s.factor(least), Feasible, nil
		case Unknown:
			return s.factor(least), Unknown, nil
		default:
			least = s.leastOf(r.Table.Placements)
		}
	}
}

// fraction is a positive fraction in lowest terms.
type fraction struct{ num, den int64 }

func lowest(num, den int64) fraction {
	g := gcd(num, den)
	return fraction{num / g, den / g}
}

// below is the largest smaller fraction with a denominator of at most most, which is not less than that of f: p/q with
// f.num q - f.den p = 1 and the largest such q, or 0 where there is none. It returns false where the numbers are too
// large.
func (f fraction) below(most int64) (fraction, bool) {
	if f.den > most {
		return fraction{}, false
	}
	inverse := int64(0) // of num modulo den
	if f.den > 1 {
		inverse = new(big.Int).ModInverse(big.NewInt(f.num), big.NewInt(f.den)).Int64()
	}
	q := most - (most-inverse)%f.den
	hi, lo := bits.Mul64(uint64(f.num), uint64(q))
	if hi > 0 || lo > maxTime*2 {
		return fraction{}, false
	}
	return fraction{(int64(lo) - 1) / f.den, q}, true
}

// stretcher holds the tasks' jobs with releases and deadlines in units of the greatest common divisor of all periods
// and deadlines, and costs in ticks. Its factors are on those releases and deadlines, which keeps their denominators,
// and so the number of steps, small.
type stretcher struct {
	base  *problem
	unit  int64
	total int64
	sum   int64 // of one job of every task
	tight int64 // shortest deadline
}

func newStretcher(tasks []Task, opt Options) (*stretcher, bool) {
	s := &stretcher{}
	for _, t := range tasks {
		s.unit = gcd(gcd(s.unit, t.Period), t.deadline())
	}
	scaled := make([]Task, len(tasks))
	for i, t := range tasks {
		scaled[i] = Task{t.Name, t.Cost, t.Period / s.unit, t.deadline() / s.unit}
		s.sum = saturated(s.sum, t.Cost)
		if i == 0 || scaled[i].Deadline < s.tight {
			s.tight = scaled[i].Deadline
		}
	}
	base, ok := periodicProblem(scaled, opt)
	if !ok {
		return nil, false
	}
	s.base, s.total = base, base.total()
	// leastOf multiplies a sum of costs with a time of the table.
	return s, inRange(s.total, base.h) && s.sum <= maxTime/4
}

// inRange reports whether a product stays a valid time.
func inRange(a, b int64) bool {
	hi, lo := bits.Mul64(uint64(a), uint64(b))
	return hi == 0 && lo <= maxTime
}

// at is the problem at a factor, all times multiplied by its denominator; false
// where they are too large.
func (s *stretcher) at(f fraction) (*problem, bool) {
	if f.num <= 0 || !inRange(f.num, s.base.h) || !inRange(f.den, s.total) {
		return nil, false
	}
	jobs := make([]Job, len(s.base.jobs))
	costs := make([]int64, len(jobs))
	for i, j := range s.base.jobs {
		costs[i] = j.Costs[0] * f.den
		jobs[i] = Job{Task: j.Task, Number: j.Number, Release: j.Release * f.num, Deadline: j.Deadline * f.num,
			Costs: costs[i : i+1 : i+1]}
	}
	return &problem{names: s.base.names, h: s.base.h * f.num, jobs: jobs, opt: s.base.opt, byTask: s.base.byTask}, true
}

// factor turns a fraction on the scaled times into one on the tasks' own.
func (s *stretcher) factor(f fraction) *big.Rat {
	return new(big.Rat).Quo(big.NewRat(f.num, f.den), new(big.Rat).SetInt64(s.unit))
}

// Steps and grid of the first halving.
const (
	startSteps = 12
	startGrid  = 1 << 10
)

// start finds a factor at which EDF finds an order, near the least such factor. It halves down from one at which even
// twice the costs of all tasks end before any deadline. The steps of MinStretch from there each take a search, so a
// good start saves most of them.
func (s *stretcher) start() (fraction, bool) {
	high, ok := s.edfAt(fraction{2*s.sum/s.tight + 1, 1})
	if !ok {
		return fraction{}, false
	}
	low := int64(0) // in steps of the grid
	for range startSteps {
		hi, lo := bits.Mul64(uint64(high.num), startGrid)
		if hi >= uint64(high.den) {
			break
		}
		top, _ := bits.Div64(hi, lo, uint64(high.den))
		if top > maxTime || int64(top)-low < 2 {
			break
		}
		middle := low + (int64(top)-low)/2
		if found, ok := s.edfAt(lowest(middle, startGrid)); ok {
			high = found
		} else {
			low = middle
		}
	}
	return high, true
}

// edfAt is the least factor of the order that EDF finds at a factor.
func (s *stretcher) edfAt(f fraction) (fraction, bool) {
	p, ok := s.at(f)
	if !ok {
		return fraction{}, false
	}
	table, miss := p.edf()
	if miss != nil {
		return fraction{}, false
	}
	return s.leastOf(table.Placements), true
}

// leastOf is the least factor at which an order of the jobs fits. It raises the factor to what the latest run needs,
// until no run is late (Dinkelbach, Management Science 13, 1967; from memory).
func (s *stretcher) leastOf(order []Placement) fraction {
	jobs := make([]*Job, len(order))
	for i, pl := range order {
		jobs[i] = &s.base.jobs[s.base.byTask[pl.Task][pl.Number]]
	}
	f := lowest(jobs[0].Costs[0], jobs[0].Deadline-jobs[0].Release)
	for {
		var finish, late int64
		var first, from, to int // run: of the current one, of the latest one
		for i, j := range jobs {
			if release := j.Release * f.num; i == 0 || release > finish {
				finish, first = release, i
			}
			finish += j.Costs[0] * f.den
			if l := finish - j.Deadline*f.num; l > late {
				late, from, to = l, first, i
			}
		}
		if late == 0 {
			return f
		}
		var sum int64
		for _, j := range jobs[from : to+1] {
			sum += j.Costs[0]
		}
		f = lowest(sum, jobs[to].Deadline-jobs[from].Release)
	}
}
