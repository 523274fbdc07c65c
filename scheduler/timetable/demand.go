package timetable

// demandBound is the cost of all jobs that are released and due within t of a
// synchronous release: sum of max(0, floor((t-D)/T)+1) C (Baruah, Rosier and
// Howell, Real-Time Systems 2, 1990; from memory).
func demandBound(tasks []Task, t int64) int64 {
	var sum int64
	for _, k := range tasks {
		if t >= k.deadline() {
			sum += ((t-k.deadline())/k.Period + 1) * k.Cost
		}
	}
	return sum
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

// overload walks the absolute deadlines t of a synchronous release from to-1 down to from, for one at which demand and
// blocking exceed t. Where they are less than t, all deadlines down to their sum are passed by: demand does not grow
// downwards (the walk of Zhang and Burns, IEEE Trans. Computers 58, 2009; from memory).
func overload(tasks []Task, from, to, blocking int64) (at int64, found miss) {
	t := deadlineBelow(tasks, to)
	for range maxWalk {
		if t <= 0 || t < from {
			return 0, missNone
		}
		switch h := demandBound(tasks, t) + blocking; {
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
