package timetable

import (
	"math/rand/v2"
	"testing"
	"time"
)

// TestLongestWait compares the longest wait with that of work which comes at every instant of a cycle and tries every
// later one until it fits.
func TestLongestWait(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	none := 0
	for range 2000 {
		at := r.Int64N(6)
		var gaps []Gap
		for range 1 + r.IntN(4) {
			length := 1 + r.Int64N(9)
			gaps = append(gaps, Gap{at, at + length})
			at += length + 1 + r.Int64N(9)
		}
		h := gaps[len(gaps)-1].To - gaps[0].From + 1 + r.Int64N(9)
		cost, lead, margin := 1+r.Int64N(8), int64(0), int64(0)
		if r.IntN(2) == 0 {
			lead = r.Int64N(6)
			margin = lead + r.Int64N(6)
		}
		begins := func(t int64) int64 {
			for s := t + lead; s < t+6*h+lead+margin; s++ {
				for cycle := range int64(16) {
					for _, g := range gaps {
						from, to := g.From+cycle*h, g.To+cycle*h
						if s >= from && s+cost <= to && (margin == 0 || t < to-margin) {
							return s
						}
					}
				}
			}
			return -1
		}
		want := int64(-1)
		first := gaps[0].From + h // before the first gap of the list there are others, which the search does not see
		for t := first; t < first+h; t++ {
			s := begins(t)
			if s < 0 {
				want = -1
				break
			}
			want = max(want, s-t)
		}
		got, fits := NewWaiting(h, gaps, cost, lead, margin).Longest()
		if !fits {
			none++
			got = -1
		}
		if got != want {
			t.Fatalf("gaps %v in %d, %d long, lead %d, margin %d: %d, want %d", gaps, h, cost, lead, margin, got, want)
		}
	}
	if none == 0 || none > 1500 {
		t.Errorf("%d of 2000 fit nowhere", none)
	}
}
