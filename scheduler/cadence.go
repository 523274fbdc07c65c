package scheduler

import (
	"math"
	"math/big"
	"math/bits"
	"slices"
	"time"
)

// cadence is when the jobs of every task are released within one hyperperiod. All of it is in whole grains of the bus,
// between which nothing begins or ends.
type cadence struct {
	grain       int64   // of the bus, nanoseconds
	hyperperiod int64   // nanoseconds, a multiple of the grain
	jobs        []int64 // per hyperperiod, of each task
	deadlines   []int64 // relative, nanoseconds, multiples of the grain
}

// release is when job k of a task is released: floor(k H / n) grains, so that rounding errors do not add up where the
// period is not a whole number of them.
func (c *cadence) release(task int, k int64) int64 {
	hi, lo := bits.Mul64(uint64(k), uint64(c.hyperperiod/c.grain))
	n := uint64(c.jobs[task])
	if hi >= n {
		return c.hyperperiod // k = n of an absurdly long table
	}
	q, _ := bits.Div64(hi, lo, n)
	return int64(q) * c.grain
}

// deadline is when job k must be finished: at the latest at the next release, so that a task has one job at a time.
func (c *cadence) deadline(task int, k int64) int64 {
	return min(c.release(task, k)+c.deadlines[task], c.release(task, k+1))
}

// window is the shortest time from a release to its deadline.
func (c *cadence) window(task int) int64 {
	return min(c.deadlines[task], down(c.hyperperiod/c.jobs[task], c.grain))
}

// down is a time in whole grains, rounded down.
func down(ns, grain int64) int64 { return ns - ns%grain }

// timing is what the cadences of a set of tasks have in common.
type timing struct {
	periods   []*big.Rat // nanoseconds
	deadlines []int64    // relative, nanoseconds, in whole grains
	grain     int64      // nanoseconds
}

func newTiming(periods []*big.Rat, deadlines []time.Duration, grain time.Duration) *timing {
	t := &timing{periods: periods, grain: int64(grain)}
	for _, d := range deadlines {
		t.deadlines = append(t.deadlines, down(int64(d), t.grain))
	}
	return t
}

// cadence is a cadence without any jobs yet.
func (t *timing) cadence(hyperperiod int64) *cadence {
	return &cadence{grain: t.grain, hyperperiod: hyperperiod, deadlines: t.deadlines}
}

// rateHz is the real rate.
func (c *cadence) rateHz(task int) float64 {
	return float64(c.jobs[task]) * float64(time.Second) / float64(c.hyperperiod)
}

// sameRates reports that two cadences have the same rates and deadlines; the shorter table is as good.
func (c *cadence) sameRates(other *cadence) bool {
	for i, n := range c.jobs {
		h, l := bits.Mul64(uint64(n), uint64(other.hyperperiod))
		h2, l2 := bits.Mul64(uint64(other.jobs[i]), uint64(c.hyperperiod))
		if h != h2 || l != l2 || c.deadlines[i] != other.deadlines[i] {
			return false
		}
	}
	return true
}

func (c *cadence) total() int64 {
	var sum int64
	for _, n := range c.jobs {
		sum += n
	}
	return sum
}

// exact gives every task exactly its rate: the hyperperiod is the least
// common multiple of the periods and of one grain. It reports false where
// that is longer than most nanoseconds, or has more jobs than allowed.
func (t *timing) exact(most time.Duration, jobs int64) (*cadence, bool) {
	h, ok := t.common(most)
	if !ok {
		return nil, false
	}
	c := t.evenIn(h)
	return c, c.total() <= jobs
}

// common is the least common multiple of the periods and of one grain, false where that is longer than most.
func (t *timing) common(most time.Duration) (int64, bool) {
	h := new(big.Rat).SetInt64(t.grain)
	limit := new(big.Rat).SetInt64(int64(most))
	for _, p := range t.periods {
		h = lcmRat(h, p)
		if h.Cmp(limit) > 0 {
			return 0, false
		}
	}
	return h.Num().Int64(), true
}

// lcmRat is the least common multiple of two fractions in lowest terms: the lcm of
// the numerators over the gcd of the denominators.
func lcmRat(a, b *big.Rat) *big.Rat {
	g := new(big.Int).GCD(nil, nil, a.Num(), b.Num())
	num := new(big.Int).Mul(a.Num(), new(big.Int).Quo(b.Num(), g))
	return new(big.Rat).SetFrac(num, new(big.Int).GCD(nil, nil, a.Denom(), b.Denom()))
}

// snapped brings the periods down to a base times powers of two: every rate is at least what was asked for, and
// the hyperperiod is the longest period, whatever the rates. Of the bases that make one period exact it takes the one
// that asks for the least bus time. Where the table would have too many jobs, the longest periods come down further.
func (t *timing) snapped(costs []time.Duration, jobs int64) (*cadence, bool) {
	floors := t.floors()
	var best *cadence
	var least float64
	for _, base := range bases(floors) {
		c := t.snapTo(max(down(base, t.grain), t.grain), floors, jobs)
		var use float64
		for i := range c.jobs {
			use += float64(costs[i]) * c.rateHz(i)
		}
		if best == nil || use < least {
			best, least = c, use
		}
	}
	return best, best.total() <= jobs
}

// floors are the periods in whole grains, rounded down, at least one each.
func (t *timing) floors() []int64 {
	floors := make([]int64, len(t.periods))
	for i, p := range t.periods {
		floors[i] = max(down(floor(p), t.grain), t.grain)
	}
	return floors
}

// bases are the candidates: every period halved until it is no longer than the
// shortest.
func bases(periods []int64) []int64 {
	shortest := periods[0]
	for _, p := range periods {
		shortest = min(shortest, p)
	}
	out := make([]int64, len(periods))
	for i, p := range periods {
		for p > shortest {
			p /= 2
		}
		out[i] = max(p, 1)
	}
	return out
}

func (t *timing) snapTo(base int64, periods []int64, jobs int64) *cadence {
	powers := make([]int, len(periods))
	top := 0
	for i, p := range periods {
		powers[i] = bits.Len64(uint64(p/base)) - 1
		top = max(top, powers[i])
	}
	for {
		var total int64
		for i := range powers {
			powers[i] = min(powers[i], top)
			total += 1 << (top - powers[i])
		}
		if total <= jobs || top == 0 {
			break
		}
		top--
	}
	c := t.cadence(base << top)
	for i := range powers {
		c.jobs = append(c.jobs, 1<<(top-powers[i]))
	}
	return c
}

// maxEven is how many multiples of the longest period even tries, and
// enoughEven how near to the best of them a shorter table may be.
const (
	maxEven    = 32
	enoughEven = 1.01
)

// even puts the fewest whole jobs that keep every rate into some multiple of the longest period: the shortest
// table whose utilization is near the least. Rates that snapping would nearly double stay close to what was asked for.
// It is nil where every table has more jobs than allowed.
func (t *timing) even(jobs int64, utilization func(*cadence) float64) *cadence {
	return t.evenOver(slices.Max(t.floors()), jobs, utilization)
}

// evenOver is even with multiples of another time, which need not be long enough for one job of every task.
func (t *timing) evenOver(base, jobs int64, utilization func(*cadence) float64) *cadence {
	var all []*cadence
	least := math.Inf(1)
	for m := range int64(maxEven) {
		if c := t.evenIn(base * (m + 1)); c.total() <= jobs {
			all = append(all, c)
			least = min(least, utilization(c))
		}
	}
	for _, c := range all {
		if utilization(c) <= enoughEven*least {
			return c
		}
	}
	return nil
}

func (t *timing) evenIn(hyperperiod int64) *cadence {
	c := t.cadence(hyperperiod)
	for _, p := range t.periods {
		n := new(big.Rat).Quo(new(big.Rat).SetInt64(hyperperiod), p)
		jobs := floor(n)
		if !n.IsInt() {
			jobs++
		}
		c.jobs = append(c.jobs, jobs)
	}
	return c
}

// stretched is the cadence with all periods and deadlines num/den as long, rounded
// up to whole grains per hyperperiod.
func (c *cadence) stretched(num, den int64) *cadence {
	s := &cadence{grain: c.grain, hyperperiod: scale(c.hyperperiod/c.grain, num, den) * c.grain, jobs: c.jobs}
	for _, d := range c.deadlines {
		s.deadlines = append(s.deadlines, scale(d/c.grain, num, den)*c.grain)
	}
	return s
}

// scale is v num / den, rounded up.
func scale(v, num, den int64) int64 {
	hi, lo := bits.Mul64(uint64(v), uint64(num))
	lo, carry := bits.Add64(lo, uint64(den-1), 0)
	q, _ := bits.Div64(hi+carry, lo, uint64(den))
	return int64(q)
}

func floor(r *big.Rat) int64 { return new(big.Int).Quo(r.Num(), r.Denom()).Int64() }

// NextRelease is the first release of a bus job at or after a time from the start of the table, which goes on for ever
// in both directions.
func (p *Plan) NextRelease(task int, since time.Duration) time.Duration {
	n := int64(p.Tasks[task].JobsPerCycle)
	c := cadence{grain: int64(p.Array.Grain()), hyperperiod: int64(p.Hyperperiod), jobs: []int64{n}}
	cycle := since / p.Hyperperiod
	if since%p.Hyperperiod < 0 {
		cycle--
	}
	begin := cycle * p.Hyperperiod
	hi, lo := bits.Mul64(uint64(since-begin), uint64(n))
	k, _ := bits.Div64(hi, lo, uint64(p.Hyperperiod)) // the release before, or one of it
	for ; ; k++ {
		if at := begin + time.Duration(c.release(0, int64(k))); at >= since {
			return at
		}
	}
}
