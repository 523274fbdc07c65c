package measure

import (
	"math"
	"testing"

	"facetd.example/bus/bustest"
)

// A number passes at its limits and fails beyond them; what is no number never passes.
func TestLimits(t *testing.T) {
	for _, c := range []struct {
		value float64
		of    limits
		good  bool
	}{
		{2, atMost(2, fail, "n"), true}, {2.1, atMost(2, fail, "n"), false}, {-9, atMost(2, fail, "n"), true},
		{2, atLeast(2, fail, "n"), true}, {1.9, atLeast(2, fail, "n"), false},
		{-1, within(-1, 1, fail, "n"), true}, {1.1, within(-1, 1, fail, "n"), false},
		{9, within(math.NaN(), math.NaN(), fail, "n"), true}, {math.NaN(), atMost(2, fail, "n"), false},
		{math.Inf(1), atLeast(2, fail, "n"), true},
	} {
		r := NewReport(bustest.MustArray(), 1, 7)
		got := r.judge("s", "q", c.value, "V", c.of)
		m := r.Measurements[0]
		if (got == pass) != c.good || m.GetVerdict() != got || (m.GetNote() == "n") == c.good ||
			math.IsNaN(m.GetValue()) || math.IsInf(m.GetValue(), 0) {
			t.Errorf("%g in %+v: %v", c.value, c.of, m)
		}
	}
}

// The summary is of the worst number, and counts the others that are as bad.
func TestConclude(t *testing.T) {
	r := NewReport(bustest.MustArray(), 1, 7)
	if r.Conclude("good"); r.Verdict != skipped || r.Summary != "nothing was measured" {
		t.Errorf("nothing: %v", r)
	}
	r.Tell("a", "q", 1, "V", "")
	if r.Conclude("good"); r.Verdict != pass || r.Summary != "good" {
		t.Errorf("good: %v", r)
	}
	r.judge("a", "level", 3, "V", atMost(2, warn, "high"))
	r.judge("b", "settling", 4500, "ns", atMost(2, fail, "slow"))
	r.judge("c", "settling", 5, "ns", atMost(2, fail, "slow"))
	if r.Conclude("good"); r.Verdict != fail || r.Summary != "b: settling 4.5µs: slow (and 1 more)" {
		t.Errorf("bad: %v", r)
	}
	if !Worse(fail, warn) || !Worse(warn, pass) || !Worse(pass, skipped) || Worse(skipped, pass) || Worse(warn, warn) {
		t.Error("the order of verdicts")
	}
}
