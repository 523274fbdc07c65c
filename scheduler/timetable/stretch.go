package timetable

import (
	"encoding/binary"
	"math"
	"math/big"
	"math/bits"
	"slices"
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
// that fits, take its least factor, look for an order that fits a little below it,
// and again, until there is none. "A little below" is exact: times are pairs of a
// value and its slope, compared in that order.
func MinStretch(tasks []Task, opt Options) (*big.Rat, Verdict, error) {
	if err := checkTasks(tasks); err != nil {
		return nil, Unknown, err
	}
	p, ok := periodicProblem(commonTick(tasks), opt)
	if !ok {
		return nil, Unknown, nil
	}
	s := &stretcher{p: p, states: opt.states()}
	order, verdict := s.first()
	if verdict != Feasible {
		return nil, Unknown, nil
	}
	for {
		factor := s.leastOf(order)
		if !s.fits(factor) {
			return factor, Unknown, nil
		}
		order, verdict = s.below(factor)
		switch verdict {
		case Infeasible:
			return factor, Feasible, nil
		case Unknown:
			return factor, Unknown, nil
		}
	}
}

// commonTick divides all times by what they have in common, which changes no
// factor and keeps numbers small.
func commonTick(tasks []Task) []Task {
	var g int64
	for _, t := range tasks {
		g = gcd(gcd(gcd(g, t.Cost), t.Period), t.deadline())
	}
	out := slices.Clone(tasks)
	for i := range out {
		out[i].Cost /= g
		out[i].Period /= g
		out[i].Deadline = tasks[i].deadline() / g
	}
	return out
}

type stretcher struct {
	p      *problem
	states int
}

// first finds some order that fits at some factor: it doubles the factor until
// plain search finds one.
func (s *stretcher) first() ([]int, Verdict) {
	for factor := int64(1); factor < 1<<20; factor *= 2 {
		if s.p.h > math.MaxInt64/4/factor {
			return nil, Unknown
		}
		order, verdict := s.search(factor, 1, 0)
		if verdict != Infeasible {
			return order, verdict
		}
	}
	return nil, Unknown
}

// fits reports whether exact arithmetic at a factor stays within an int64.
func (s *stretcher) fits(factor *big.Rat) bool {
	if !factor.Num().IsInt64() || !factor.Denom().IsInt64() {
		return false
	}
	h1, _ := bits.Mul64(uint64(s.p.h), uint64(factor.Num().Int64()))
	h2, _ := bits.Mul64(uint64(s.p.total()), uint64(factor.Denom().Int64()))
	return h1 == 0 && h2 == 0 && uint64(s.p.h)*uint64(factor.Num().Int64()) < math.MaxInt64/4 &&
		uint64(s.p.total())*uint64(factor.Denom().Int64()) < math.MaxInt64/4
}

// below looks for an order that fits just below a factor.
func (s *stretcher) below(factor *big.Rat) ([]int, Verdict) {
	return s.search(factor.Num().Int64(), factor.Denom().Int64(), -1)
}

// leastOf is the least factor at which an order of the jobs fits.
func (s *stretcher) leastOf(order []int) *big.Rat {
	best := new(big.Rat)
	for i, a := range order {
		release := s.p.jobs[a].Release
		var sum int64
		for _, b := range order[i:] {
			job := &s.p.jobs[b]
			sum += job.Costs[0]
			if job.Deadline > release {
				if f := big.NewRat(sum, job.Deadline-release); f.Cmp(best) > 0 {
					best = f
				}
			}
		}
	}
	return best
}

// instant is a time at a factor of num/den plus an endless small part of slope:
// value in units of 1/den, and how it changes with the factor.
type instant struct{ value, slope int64 }

func (a instant) less(b instant) bool {
	return a.value < b.value || a.value == b.value && a.slope < b.slope
}

// search is the walk over the sets of jobs done at the factor num/den, or just
// below it with a slope of -1. It returns an order of the jobs that fits.
func (s *stretcher) search(num, den int64, slope int64) ([]int, Verdict) {
	at := func(t int64) instant { return instant{num * t, slope * t} }
	chains := s.p.byTask
	type set struct {
		done   []int32
		finish instant
		parent int32
		job    int32
	}
	layers := [][]set{{{done: make([]int32, len(chains)), job: -1}}}
	visited := 0
	for range s.p.jobs {
		now := layers[len(layers)-1]
		var next []set
		seen := map[string]int{}
		var buf []byte
		for from := range now {
			if s.dead(now[from].done, now[from].finish, at, den) {
				continue
			}
			for task, chain := range chains {
				n := now[from].done[task]
				if int(n) == len(chain) {
					continue
				}
				job := &s.p.jobs[chain[n]]
				end := later(now[from].finish, at(job.Release), job.Costs[0]*den)
				buf = appendCounts(buf[:0], now[from].done, task)
				if i, known := seen[string(buf)]; known {
					if end.less(next[i].finish) {
						next[i].finish, next[i].parent, next[i].job = end, int32(from), int32(chain[n])
					}
					continue
				}
				if visited++; visited > s.states {
					return nil, Unknown
				}
				done := slices.Clone(now[from].done)
				done[task]++
				seen[string(buf)] = len(next)
				next = append(next, set{done, end, int32(from), int32(chain[n])})
			}
		}
		if len(next) == 0 {
			return nil, Infeasible
		}
		layers = append(layers, next)
	}
	order := make([]int, 0, len(s.p.jobs))
	i := 0
	for _, l := range slices.Backward(layers[1:]) {
		order = append(order, int(l[i].job))
		i = int(l[i].parent)
	}
	slices.Reverse(order)
	return order, Feasible
}

// later is the end of a job of some cost that begins once a time and its release
// are past.
func later(now, release instant, cost int64) instant {
	if now.less(release) {
		now = release
	}
	return instant{now.value + cost, now.slope}
}

// dead reports whether the next job of some task can no longer meet its deadline.
func (s *stretcher) dead(done []int32, now instant, at func(int64) instant, den int64) bool {
	for task, chain := range s.p.byTask {
		if n := int(done[task]); n < len(chain) {
			job := &s.p.jobs[chain[n]]
			if at(job.Deadline).less(later(now, at(job.Release), job.Costs[0]*den)) {
				return true
			}
		}
	}
	return false
}

// appendCounts names the set that results when one more job of a task is done.
func appendCounts(buf []byte, done []int32, task int) []byte {
	for t, n := range done {
		if t == task {
			n++
		}
		buf = binary.AppendUvarint(buf, uint64(n))
	}
	return buf
}
