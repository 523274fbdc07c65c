package timetable

import (
	"math/big"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// someReservations are at random places of a short table, in order, none reaching into the next, nor over the end of
// the cycle into the first of the next.
func someReservations(r *rand.Rand) (h int64, out []Reservation) {
	at := r.Int64N(5)
	first := at
	for range 1 + r.IntN(5) {
		cost := 1 + r.Int64N(6)
		out = append(out, Reservation{at, at + cost})
		at += cost + r.Int64N(9)
	}
	h = max(out[len(out)-1].End-first, out[len(out)-1].Start+1) + r.Int64N(9)
	return h, out
}

// served is a server that looks for a trigger a lead before the start of each reservation of a number of cycles. The
// triggers are in order. first says that a trigger at that very time is seen. It returns the response of each.
func served(h, lead int64, rs []Reservation, triggers []int64, first bool) []int64 {
	var out []int64
	for cycle := range int64(60) {
		for _, res := range rs {
			decided := res.Start + cycle*h - lead
			if len(out) == len(triggers) {
				return out
			}
			if t := triggers[len(out)]; t < decided || first && t == decided {
				out = append(out, res.End+cycle*h-t)
			}
		}
	}
	return out
}

// TestSporadicResponse compares the response with that of a server that knows nothing of it: for a trigger at every
// instant of a cycle, which gives it to the tick, and for many triggers at least the worst response apart, of which
// each may come as late as it can.
func TestSporadicResponse(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for range 3000 {
		h, rs := someReservations(r)
		lead := r.Int64N(12)
		got := SporadicResponse(h, lead, rs)
		var worst, distance int64
		best := int64(1 << 60)
		for at := 2 * h; at < 3*h; at++ {
			worst = max(worst, served(h, lead, rs, []int64{at}, false)[0])
			best = min(best, served(h, lead, rs, []int64{at}, true)[0])
		}
		for k := range rs {
			next := rs[(k+1)%len(rs)].Start + int64((k+1)/len(rs))*h
			distance = max(distance, next-rs[k].Start)
		}
		if want := (TriggerResponse{worst, best, distance}); got != want {
			t.Fatalf("%v in %d, lead %d: %+v, want %+v", rs, h, lead, got, want)
		}
		at := 2*h + r.Int64N(h)
		triggers := []int64{}
		for range 5 {
			triggers = append(triggers, at)
			at += got.Worst + r.Int64N(3)*r.Int64N(h)
			if at > 9*h {
				break
			}
		}
		for i, response := range served(h, lead, rs, triggers, r.IntN(2) == 0) {
			if response > got.Worst || response < got.Best {
				t.Fatalf("%v in %d, lead %d: trigger %d of %v takes %d, of %d to %d", rs, h, lead, i, triggers,
					response,
					got.Best, got.Worst)
			}
		}
		for range 5 {
			at := r.Int64N(4 * h)
			next := NextReservation(h, lead, rs, at)
			if want := served(h, lead, rs, []int64{at}, true)[0]; next.End-at != want {
				t.Fatalf("%v in %d, lead %d: a trigger at %d uses %v, want one that ends after %d", rs, h, lead, at,
					next, want)
			}
		}
	}
}

// TestPollingTwiceEachDeadline: a server with a period and a window of half a deadline each keeps the deadline wherever
// in its windows its jobs are placed, and reaches it when one is first and the next last. (Common practice, no source.)
func TestPollingTwiceEachDeadline(t *testing.T) {
	const half, cost = 50, 7
	at := func(start int64) Reservation { return Reservation{start, start + cost} }
	worst := SporadicResponse(2*half, 0, []Reservation{at(0), at(2*half - cost)})
	if worst.Worst != 2*half {
		t.Errorf("first and last in their windows: %+v", worst)
	}
	if even := SporadicResponse(half, 0, []Reservation{at(3)}); even.Worst != half+cost || even.Best != cost {
		t.Errorf("always at the same place: %+v", even)
	}
}

// TestReservationPeriod: a period is no longer than asked for, at least two thirds of that, and its table and that of
// the
// others repeat together soon.
func TestReservationPeriod(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for range 3000 {
		h, most := 1+r.Int64N(1000), 100+r.Int64N(3000)
		p := ReservationPeriod(h, most)
		if p.Cmp(new(big.Rat).SetInt64(most)) > 0 {
			t.Fatalf("%v in tables of %d, at most %d", p, h, most)
		}
		if least := big.NewRat(2*min(most, 64*h), 3); p.Cmp(least) < 0 {
			t.Fatalf("%v in tables of %d, at most %d", p, h, most)
		}
		tables := new(big.Rat).Quo(p, new(big.Rat).SetInt64(h)).Num().Int64() // in which both repeat
		if tables > 4*max(most/h, 1) || !slices.Contains(spans, tables) {
			t.Fatalf("%v in tables of %d, at most %d: they repeat after %d", p, h, most, tables)
		}
	}
}
