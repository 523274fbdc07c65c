package timetable

import (
	"cmp"
	"math/big"
	"slices"
)

// A sporadic task in a static table. Its jobs are released by triggers, any two of them at least its least interval T
// apart, and are to end within its deadline D <= T. The table has reservations for it: each has the time of one whole
// job, and is used by the trigger that waits when it is decided, a fixed lead before its start; where none waits it is
// not used. This is a polling server (Sprunt, Sha and Lehoczky 1989, from memory) whose capacity is one job and whose
// service times are known in advance, so that its response is not a bound over all phases but a property of the table.
//
// Let the reservations of the endlessly repeated table be [s(k), e(k)], in order, one ending before the next begins,
// and L the lead. A trigger at t uses the first one that is not decided yet: the one with s(k)-L < t <= s(k+1)-L uses
// k+1, and so does one at s(k)-L that is seen just after the decision. It has ended at e(k+1), after e(k+1)-t, which is
// largest for the earliest t:
//
//	worst response  R = max over k of e(k+1) - s(k) + L
//
// and that is attained, by the trigger just after the decision of a reservation. What other triggers do makes no
// difference as long as R <= D: a later trigger of the task comes at t' >= t+T >= t+D >= t+R >= e(k+1), when the
// reservation that t uses has been used. So at most one trigger waits at any time, and none is kept from its
// reservation by another. Other tasks make no difference either: their places in the table are fixed, and an unused
// reservation moves none of them.
//
// The planner finds a table with R <= D by giving the task a period P and a window W with P+W+L <= D: a job of it, a
// reservation, is placed in [kP, kP+W] for every k, so e(k+1)-s(k) <= (k+1)P+W-kP = P+W. Where D = 2P = 2W and L = 0
// this is the rule that a polling server runs twice in each deadline. No table of reservations with the time C of one
// job can do with fewer than one in every D-L-C on average: R is at least the mean distance of two plus C.

// Reservation is a part of a table that one job of a sporadic task may use, from the start of its first segment to the
// end of its last.
type Reservation struct{ Start, End int64 }

// TriggerResponse is what the triggers of a sporadic task get in a table.
type TriggerResponse struct {
	// Worst and Best are the longest and the shortest time from a trigger, at whatever time, to the end of its job.
	Worst, Best int64
	// Distance is the longest from the start of one reservation to that of the next.
	Distance int64
}

// SporadicResponse returns what triggers get that use the reservations of one hyperperiod, each of which is decided a
// lead before its start. There is at least one; they do not overlap, not even those of one cycle with those of the
// next.
func SporadicResponse(hyperperiod, lead int64, reservations []Reservation) TriggerResponse {
	all := slices.Clone(reservations)
	slices.SortFunc(all, func(x, y Reservation) int { return cmp.Compare(x.Start, y.Start) })
	r := TriggerResponse{Best: all[0].End - all[0].Start + lead}
	for k, this := range all {
		next := all[(k+1)%len(all)]
		if k+1 == len(all) {
			next.Start += hyperperiod
			next.End += hyperperiod
		}
		r.Worst = max(r.Worst, next.End-this.Start+lead)
		r.Best = min(r.Best, this.End-this.Start+lead)
		r.Distance = max(r.Distance, next.Start-this.Start)
	}
	return r
}

// NextReservation is the first that a trigger at a time uses, which counts from the start of the table and may lie in
// any cycle from the first on: before the table begins its first one is used at the earliest. sorted are the
// reservations of one cycle in order of start.
func NextReservation(hyperperiod, lead int64, sorted []Reservation, trigger int64) Reservation {
	decided := max(trigger+lead, 0) // it begins no earlier
	cycle := decided / hyperperiod
	k, _ := slices.BinarySearchFunc(sorted, decided-cycle*hyperperiod, func(r Reservation, at int64) int {
		return cmp.Compare(r.Start, at)
	})
	if k == len(sorted) {
		k, cycle = 0, cycle+1
	}
	next := sorted[k]
	return Reservation{next.Start + cycle*hyperperiod, next.End + cycle*hyperperiod}
}

// spans are the numbers of hyperperiods over which reservations may repeat: products of 2 and 3, so that the least
// common multiple of several is small. A longer span than nearEnough times the shortest that would do is not taken.
var spans = []int64{1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64}

const nearEnough = 4

// ReservationPeriod is a period of at most most ticks, of reservations beside jobs that repeat every hyperperiod, with
// which both repeat together soon: a whole number of them in a small number of hyperperiods. It is near the longest of
// those, in the fewest hyperperiods.
func ReservationPeriod(hyperperiod, most int64) *big.Rat {
	all := spans[:1:1]
	for _, n := range spans[1:] {
		if n <= nearEnough*max(most/hyperperiod, 1) {
			all = append(all, n)
		}
	}
	period := func(n int64) *big.Rat { return big.NewRat(n*hyperperiod, (n*hyperperiod+most-1)/most) }
	longest := period(1)
	for _, n := range all {
		if p := period(n); p.Cmp(longest) > 0 {
			longest = p
		}
	}
	near := new(big.Rat).Mul(longest, big.NewRat(9, 10))
	for _, n := range all {
		if p := period(n); p.Cmp(near) >= 0 {
			return p
		}
	}
	return longest
}
