package rules_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
)

// reserved is the table of the other tests with two reservations of a task, which write registers of the memory chips
// as the memory job does.
func reserved(a *chipmodel.Array) rules.TimedTable {
	t := table(a)
	ops := []bus.Op{Select(F | X0 | X1 | X2), Write(1, chipmodel.ColumnPattern, 0x55, M0, M1, M2)}
	for n, start := range []bus.Time{50_000, 300_000} {
		j := &bus.Job{Task: "late", Number: uint64(n), Release: start, Deadline: start + 100_000, Segments: 1,
			Chips: []int{M0, M1, M2}}
		t.Entries = append(t.Entries, rules.TimedEntry{
			Segment: &bus.Segment{Job: j, Program: &bus.Program{Ops: ops}}, Start: start})
	}
	t.Triggered = []rules.Triggered{{Task: "late", Deadline: 260 * time.Microsecond}}
	return t
}

// TestJudgeTriggered: reservations that are used or not violate nothing; what relies on one, or on one not being used,
// and deadlines that they do not keep are found.
func TestJudgeTriggered(t *testing.T) {
	a := MustArray()
	if v := rules.Judge(a, reserved(a), 2); v != nil {
		t.Fatalf("a good timetable: %v", v)
	}
	relies := func(t *rules.TimedTable) { // the memory job does not write the pattern itself
		s := t.Entries[1].Segment
		s.Program = &bus.Program{Ops: slices.Delete(slices.Clone(s.Ops), 2, 3)}
	}
	for _, c := range []struct {
		name string
		rule int
		says string
		edit func(*rules.TimedTable)
	}{
		{"relies on a reservation", rules.RuleClaim, "shares", relies},
		{"relies on none", rules.RuleClaim, "shares", func(t *rules.TimedTable) {
			relies(t)
			t.Initialization[1].Value = 0x55
			ops := slices.Clone(t.Entries[3].Segment.Ops)
			ops[1].Value = 1
			t.Entries[3].Segment.Program, t.Entries[4].Segment.Program = &bus.Program{Ops: ops}, &bus.Program{Ops: ops}
		}},
		{"too far apart", rules.RuleAccounted, "just too late",
			func(t *rules.TimedTable) { t.Triggered[0].Deadline = 251 * time.Microsecond }},
		{"decided too early", rules.RuleAccounted, "just too late",
			func(t *rules.TimedTable) { t.Triggered[0].Lead = 10 * time.Microsecond }},
		{"no reservations", rules.RuleAccounted, "0 whole jobs",
			func(t *rules.TimedTable) { t.Triggered[0].Task = "later" }},
	} {
		tt := reserved(a)
		c.edit(&tt)
		v := rules.Judge(a, tt, 2)
		if len(v) == 0 || v[0].Rule != c.rule || !strings.Contains(v[0].Message, c.says) {
			t.Errorf("%s: %v", c.name, v)
		}
	}
}
