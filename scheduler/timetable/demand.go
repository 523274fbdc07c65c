package timetable

import (
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
	left := new(big.Rat).Sub(one, utilizationOf(tasks))
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
// with a demand not above the least deadline. trace lists the pairs (t, demand); a
// walk of a million pairs counts as not fitting.
func QPA(tasks []Task, limit int64) (fits bool, trace [][2]int64) {
	if utilizationOf(tasks).Cmp(one) > 0 {
		return false, nil
	}
	least := int64(math.MaxInt64)
	for _, t := range tasks {
		least = min(least, t.deadline())
	}
	t := deadlineBelow(tasks, min(limit, 2*maxTime))
	for t > 0 && len(trace) < maxWalk {
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
	return t <= 0, trace
}

// What a walk over the deadlines found.
type miss int

const (
	missNone miss = iota
	missFound
	missTooLong
)

// maxWalk limits the deadlines that one walk looks at.
const maxWalk = 1_000_000

// overload walks the absolute deadlines t of a synchronous release from to-1 down
// to from, for one at which demand and blocking exceed t. Where they are less than
// t, all deadlines down to their sum are passed by: demand does not grow downwards.
func overload(tasks []Task, from, to, blocking int64) (at int64, found miss) {
	t := deadlineBelow(tasks, to)
	for range maxWalk {
		if t <= 0 || t < from {
			return 0, missNone
		}
		switch h := DemandBound(tasks, t) + blocking; {
		case h > t:
			return t, missFound
		case h < t:
			t = deadlineBelow(tasks, h+1)
		default:
			t = deadlineBelow(tasks, t)
		}
	}
	return 0, missTooLong
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
