package rules_test

import (
	"strings"
	"testing"
	"time"

	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
)

// table runs the memory job at 0 and, twice in a cycle of 400 us, the hexagonal
// chip, which takes 300 + 1000 + 1200 + 3 x 17000... ns on lane b.
func table(a *chipmodel.Array) rules.TimedTable {
	const period = 400_000
	mems := &bus.Job{Task: "mems", Deadline: period, Segments: 1, Chips: []int{M0, M1, M2}}
	entry := func(j *bus.Job, start bus.Time, ops []bus.Op) rules.TimedEntry {
		return rules.TimedEntry{Segment: &bus.Segment{Job: j, Program: &bus.Program{Ops: ops}}, Start: start}
	}
	hex := func(n uint64, release bus.Time) rules.TimedEntry {
		j := &bus.Job{Task: "hex", Number: n, Release: release, Deadline: release + period/2, Segments: 1,
			Chips: []int{H0}}
		return entry(j, release, hexJob(a))
	}
	second := hex(1, period/2)
	second.NotBefore = period / 2
	return rules.TimedTable{
		Initialization: []bus.Op{Select(F | X0 | X1 | X2), Write(1, chipmodel.ColumnPattern, 0, M0, M1, M2)},
		Hyperperiod:    period,
		Entries:        []rules.TimedEntry{hex(0, 0), entry(mems, 60_000, memoryJob(a)), second},
	}
}

func TestJudge(t *testing.T) {
	a := MustArray()
	if v := rules.Judge(a, table(a), 5); v != nil {
		t.Fatalf("a good timetable: %v", v)
	}
	for _, c := range []struct {
		name string
		rule int
		says string
		edit func(*rules.TimedTable)
	}{
		{"segments overlap", rules.RuleOrder, "before the end",
			func(t *rules.TimedTable) { t.Entries[1].Start = 10_000 }},
		{"cycles overlap", rules.RuleOrder, "before the end", func(t *rules.TimedTable) { t.Hyperperiod = 210_000 }},
		{"too early", rules.RuleOrder, "release",
			func(t *rules.TimedTable) { t.Entries[2].Start--; t.Entries[2].NotBefore = 0 }},
		{"not before", rules.RuleOrder, "its time", func(t *rules.TimedTable) { t.Entries[2].NotBefore++ }},
		{"a deadline missed", rules.RuleAccounted, "deadline",
			func(t *rules.TimedTable) { t.Entries[1].Segment.Job.Deadline = 60_001 }},
		{"a job cut off", rules.RuleAccounted, "not accounted",
			func(t *rules.TimedTable) { t.Entries[1].Segment.Job.Segments = 2 }},
		{"hold", rules.RuleHoldSkew, "held",
			func(t *rules.TimedTable) { t.Entries[1].Segment.Job.MaxHold = 50 * time.Microsecond }},
		{"a claim", rules.RuleClaim, "shares", func(t *rules.TimedTable) { t.Entries[1].Segment.Ops[2].Value = 1 }},
		{"an unknown chip", rules.RuleClaim, "no chip 99",
			func(t *rules.TimedTable) { t.Entries[1].Segment.Ops[2].Target = []int{99} }},
		{"a broken initialization", rules.RuleTarget, "not meant for",
			func(t *rules.TimedTable) { t.Initialization[1].Target = []int{M0} }},
		{"a segment of no job", rules.RuleAccounted, "no job",
			func(t *rules.TimedTable) { t.Entries[0].Segment.Job = nil }},
		// What one cycle leaves to the next: the outputs of m0 and m2 stay enabled, and
		// the next word that both hear joins them.
		{"left over from the cycle before", rules.RuleOneDriver, "drive lane a", func(t *rules.TimedTable) {
			ops := t.Entries[1].Segment.Ops
			ops[8].Value, ops[12].Value = 1, 1
		}},
	} {
		tt := table(a)
		c.edit(&tt)
		v := rules.Judge(a, tt, 2)
		found := false
		for _, one := range v {
			found = found || one.Rule == c.rule && strings.Contains(one.Message, c.says)
		}
		if !found {
			t.Errorf("%s: caught %v, want rule %d about %q", c.name, v, c.rule, c.says)
		}
	}
}

func TestCheckOps(t *testing.T) {
	a := MustArray()
	if err := bus.CheckOps(a, memoryJob(a)); err != nil {
		t.Errorf("good operations: %v", err)
	}
	scan := func(edit func(*bus.Scan)) bus.Op {
		op := Scan(a, M0, 0, bus.Claim{})
		edit(op.Scan)
		return op
	}
	bad := map[string]bus.Op{
		"kind 0":                   {},
		"kind 99":                  {Kind: 99},
		"beyond the array":         Select(1 << 6),
		"no register 0":            Write(1, 0, 1, M0),
		"no register 8":            Write(1, chipmodel.Offset+1, 1, M0),
		"no chip 7":                Write(1, chipmodel.Gain, 1, 7),
		"no chip -1":               Write(1, chipmodel.Gain, 1, -1),
		"ascending":                Write(1, chipmodel.Gain, 1, M1, M0),
		"no strobe 6":              Strobe(1, chipmodel.Expose+1, 0, M0),
		"an exposure of 499ns":     Strobe(1, chipmodel.Expose, 499, M0),
		"an exposure of 1m0.1s":    Strobe(1, chipmodel.Expose, time.Minute+100*time.Millisecond, M0),
		"a share cannot last -1ns": Strobe(1, chipmodel.Share, -1, M0),
		"a wait of 2h":             {Kind: bus.OpWait, Hold: 2 * time.Hour},
		"a wait of -1ns":           {Kind: bus.OpWait, Hold: -1},
		"in phase 7":               {Kind: bus.OpWait, Phase: 7},
		"a scan reads no chip":     {Kind: bus.OpScan},
		"0 frames for 1":           scan(func(s *bus.Scan) { s.Frames = nil }),
		"out of range":             scan(func(s *bus.Scan) { s.Frames = []int{-1} }),
		"row is out of range":      scan(func(s *bus.Scan) { s.FirstRow = -1 }),
		"no chip 50":               scan(func(s *bus.Scan) { s.Chips = []int{50} }),
		"leaves the lattice":       scan(func(s *bus.Scan) { s.Window.Rows = 5 }),
		"RowStep:0":                scan(func(s *bus.Scan) { s.Window.RowStep = 0 }),
		"Column:-1":                scan(func(s *bus.Scan) { s.Window.Column = -1 }),
		"ColumnStep:2":             scan(func(s *bus.Scan) { s.Window.ColumnStep = 2 }),
	}
	for says, op := range bad {
		if err := bus.CheckOps(a, []bus.Op{Select(F), op}); err == nil || !strings.Contains(err.Error(), says) ||
			!strings.Contains(err.Error(), "operation 1") {
			t.Errorf("error %v, want it to say %q", err, says)
		}
	}
	if err := bus.CheckOps(a, []bus.Op{bad["kind 0"], bad["no chip 7"]}); strings.Count(err.Error(),
		"operation 0:")+strings.Count(err.Error(), "operation 1:") != 2 {
		t.Errorf("not every error is reported: %v", err)
	}
}
