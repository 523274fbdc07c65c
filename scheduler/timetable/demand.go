package timetable

import (
	"container/heap"
	"iter"
	"math"
	"math/big"
)

// DemandBound is the cost of all jobs that are released and due within t of a
// synchronous release: sum of max(0, floor((t-D)/T)+1) C (Baruah, Rosier and
// Howell, Real-Time Systems 2, 1990).
func DemandBound(tasks []Task, t int64) int64 {
	var sum int64
	for _, k := range tasks {
		if t >= k.deadline() {
			sum += ((t-k.deadline())/k.Period + 1) * k.Cost
		}
	}
	return sum
}

// deadlines yields the absolute deadlines of a synchronous release up to end, in
// order.
func deadlines(tasks []Task, end int64) iter.Seq[int64] {
	return func(yield func(int64) bool) {
		next := make(deadlineHeap, len(tasks))
		for i, t := range tasks {
			next[i] = [2]int64{t.deadline(), t.Period}
		}
		heap.Init(&next)
		for last := int64(-1); len(next) > 0 && next[0][0] <= end; heap.Fix(&next, 0) {
			if d := next[0][0]; d != last {
				last = d
				if !yield(d) {
					return
				}
			}
			next[0][0] += next[0][1]
		}
	}
}

// deadlineHeap holds the next deadline and the period of each task.
type deadlineHeap [][2]int64

func (h deadlineHeap) Len() int           { return len(h) }
func (h deadlineHeap) Less(i, j int) bool { return h[i][0] < h[j][0] }
func (h deadlineHeap) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }
func (h *deadlineHeap) Push(x any)        { *h = append(*h, x.([2]int64)) }
func (h *deadlineHeap) Pop() any          { old := *h; *h = old[:len(old)-1]; return old[len(old)-1] }

// LiuLayland is the utilization up to which n preemptive tasks with deadlines
// equal to their periods fit under rate-monotonic priorities: n (2^(1/n) - 1)
// (Liu and Layland, J. ACM 20, 1973, Theorem 5).
func LiuLayland(n int) float64 {
	return float64(n) * (math.Exp2(1/float64(n)) - 1)
}

// DemandLimit is L* = sum U_i (T_i - D_i) / (1 - U), up to which demand must be
// tested for preemptive EDF (Buttazzo, Real-Time Systems 29, 2005, equation 5). It
// is nil when the utilization is 1 or more.
func DemandLimit(tasks []Task) *big.Rat {
	left := new(big.Rat).Sub(big.NewRat(1, 1), utilizationOf(tasks))
	if left.Sign() <= 0 {
		return nil
	}
	sum := new(big.Rat)
	for _, t := range tasks {
		u := big.NewRat(t.Cost, t.Period)
		sum.Add(sum, u.Mul(u, big.NewRat(t.Period-t.deadline(), 1)))
	}
	return sum.Quo(sum, left)
}

// QPA tests preemptive EDF by walking the demand downwards from the deadlines
// before limit (Zhang and Burns, IEEE Trans. Computers 58, 2009): from the largest
// deadline t below limit, t becomes the demand there while that is below t, and the
// next smaller deadline while it equals t; the set fits exactly when the walk ends
// with a demand not above the least deadline. trace lists the pairs (t, demand).
func QPA(tasks []Task, limit int64) (fits bool, trace [][2]int64) {
	if utilizationOf(tasks).Cmp(big.NewRat(1, 1)) > 0 {
		return false, nil
	}
	least := int64(math.MaxInt64)
	for _, t := range tasks {
		least = min(least, t.deadline())
	}
	t := deadlineBelow(tasks, limit)
	for t > 0 {
		h := DemandBound(tasks, t)
		trace = append(trace, [2]int64{t, h})
		switch {
		case h > t:
			return false, trace
		case h <= least:
			return true, trace
		case h < t:
			t = h
		default:
			t = deadlineBelow(tasks, t)
		}
	}
	return true, trace
}

// deadlineBelow is the largest absolute deadline below t, or 0.
func deadlineBelow(tasks []Task, t int64) int64 {
	var best int64
	for _, k := range tasks {
		if d := k.deadline(); d < t {
			best = max(best, d+(t-1-d)/k.Period*k.Period)
		}
	}
	return best
}
