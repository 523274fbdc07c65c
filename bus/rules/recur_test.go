package rules_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	. "facetd.example/bus/bustest"
	"facetd.example/bus/rules"
)

// TestJudgeEndsEarly damages a good table at random: ending where the inspector's
// state recurs, Judge finds exactly what it finds in full, and where it ended early
// six cycles in full find nothing.
func TestJudgeEndsEarly(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	a := MustArray()
	early, bad := 0, 0
	for range 3000 {
		tt := table(a)
		for range r.IntN(3) {
			damage(r, &tt)
		}
		v, ended := rules.Judged(a, tt, 2, true)
		full, _ := rules.Judged(a, tt, 2, false)
		same := slices.EqualFunc(v, full, func(x, y rules.Violation) bool { return x.String() == y.String() })
		if !same {
			t.Fatalf("found %v, in full %v", v, full)
		}
		if len(v) > 0 {
			bad++
		}
		if !ended {
			continue
		}
		early++
		if six, _ := rules.Judged(a, tt, 6, false); len(v)+len(six) > 0 {
			t.Fatalf("ended early with %v, six cycles find %v", v, six)
		}
	}
	t.Logf("%d ended early, %d are bad", early, bad)
	if early < 500 || bad < 300 {
		t.Errorf("%d ended early, %d are bad", early, bad)
	}
}

// damage changes one number of a table.
func damage(r *rand.Rand, t *rules.TimedTable) {
	e := &t.Entries[r.IntN(len(t.Entries))]
	e.Segment.Ops = slices.Clone(e.Segment.Ops)
	op := &e.Segment.Ops[r.IntN(len(e.Segment.Ops))]
	switch r.IntN(9) {
	case 0:
		op.Value ^= 1
	case 1:
		op.Hold += time.Duration(r.IntN(2000) - 1000)
	case 2:
		op.Word ^= 1 << r.IntN(4)
	case 3:
		op.Command = r.IntN(5)
	case 4:
		e.Start = e.Start.Add(time.Duration(r.IntN(2000) - 1000))
	case 5:
		e.Segment.Job.MaxHold = time.Duration(r.IntN(200_000))
	case 6:
		t.Hyperperiod += time.Duration(r.IntN(100_000))
	case 7:
		i := r.IntN(len(e.Segment.Ops))
		e.Segment.Ops = slices.Delete(e.Segment.Ops, i, i+1)
	case 8:
		t.Initialization = t.Initialization[:r.IntN(len(t.Initialization)+1)]
	}
}
