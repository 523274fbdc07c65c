package rules_test

import (
	"slices"
	"testing"
	"time"

	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
)

// levelsScan reads lane a while it is undriven, paced by a memory chip that was
// never loaded, under a word that reaches other chips as well.
func levelsScan() bus.Op {
	return bus.Op{Kind: bus.OpScan, Scan: &bus.Scan{
		Levels: true, Chips: []int{M0}, Frames: []int{0},
		Window: chipmodel.Window{Rows: 2, Columns: 2, RowStep: 1, ColumnStep: 1},
	}}
}

// captureOf is the capture of the one chip of a scan that begins at a time, at the
// array's own pace, each sample early by some nanoseconds.
func captureOf(a *chipmodel.Array, op *bus.Op, from bus.Time, early time.Duration) bus.Capture {
	s := op.Scan
	t := a.ScanTime(s.Chips, s.Window, s.Settle)
	return bus.Capture{
		Chip: s.Chips[0], Frame: s.Frames[0], Window: s.Window, Codes: make([]uint16, s.Window.Pixels()),
		FirstSample: from.Add(t.First).Add(-early), RowInterval: t.RowInterval, PixelInterval: t.PixelInterval,
		Converted: from.Add(t.Duration).Add(-early),
	}
}

// A readout of levels claims nothing of the chip that paces it: neither that it drives, nor that it was loaded, nor
// that nobody else listens. A scan without Levels does, and the times of both are judged.
func TestLevelsClaimNothing(t *testing.T) {
	a := MustArray()
	for _, c := range []struct {
		levels   bool
		early    int64
		violated []int
	}{
		{levels: true},
		{levels: true, early: 1, violated: []int{rules.RuleSettle}},
		{levels: false, violated: []int{rules.RuleTarget, rules.RuleClaim, rules.RuleClaim}},
	} {
		in := rules.NewInspector(a)
		job := &bus.Job{Segments: 1, Deadline: 1 << 40}
		sel, scan := Select(F|X0|X1|X2), levelsScan()
		scan.Scan.Levels = c.levels
		in.BeginSegment(&bus.Segment{Job: job}, 0, 0)
		at := int64(bus.Cost(a, &sel).Total())
		in.Op(&sel, 0, bus.Time(at), nil)
		end := at + int64(bus.Cost(a, &scan).Total())
		in.Op(&scan, bus.Time(at), bus.Time(end),
			[]bus.Capture{captureOf(a, &scan, bus.Time(at), time.Duration(c.early))})
		in.EndSegment(bus.Time(end))
		var violated []int
		for _, v := range in.Take() {
			violated = append(violated, v.Rule)
		}
		if !slices.Equal(violated, c.violated) {
			t.Errorf("levels %v, early %d: violated rules %v, want %v", c.levels, c.early, violated, c.violated)
		}
	}
}

// A readout may name chips beside those it reads: they listen, and each must have a lane of its own. One that is not
// named is still a violation, and so is one that shares a lane.
func TestChipsBesideAReadout(t *testing.T) {
	a := MustArray()
	for _, c := range []struct {
		word     chipmodel.LineSet
		beside   []int
		violated []int
	}{
		{F | X0, nil, nil},
		{F | X0 | X1, []int{M1}, nil}, // m1 is on lane b
		{F | X0 | X1, nil, []int{rules.RuleTarget}},
		{F | X0 | X2, []int{M2}, []int{rules.RuleOneDriver}}, // m2 is on lane a, as m0
	} {
		in := rules.NewInspector(a)
		job := &bus.Job{Segments: 1, Deadline: 1 << 40}
		reached := a.Reach(c.word)
		w := chipmodel.Window{Rows: 2, Columns: 2, RowStep: 1, ColumnStep: 1}
		b := bus.NewBuilder(a)
		b.Select(c.word)
		b.Do(bus.Strobe(chipmodel.Load), reached)
		b.Do(bus.Write(chipmodel.OutputEnable, 1), reached)
		b.Read(bus.Scan{Chips: []int{M0}, Beside: c.beside, Frames: []int{0}, Window: w})
		in.BeginSegment(&bus.Segment{Job: job}, 0, 0)
		at := bus.Time(0)
		for _, op := range b.Take() {
			end := at.Add(bus.Cost(a, &op).Total())
			var caps []bus.Capture
			if op.Scan != nil {
				caps = []bus.Capture{captureOf(a, &op, at, 0)}
				caps[0].Hold = caps[0].Converted.Sub(0)
			}
			in.Op(&op, at, end, caps)
			at = end
		}
		in.EndSegment(at)
		var violated []int
		for _, v := range in.Take() {
			if v.Rule <= rules.RuleTarget {
				violated = append(violated, v.Rule)
			}
		}
		if !slices.Equal(violated, c.violated) {
			t.Errorf("word %v beside %v: violated rules %v, want %v", c.word, c.beside, violated, c.violated)
		}
	}
}

// A counter chip that listened while levels were clocked out stands nobody knows
// where: it must be reset before a frame is read of it.
func TestLevelsMoveCounters(t *testing.T) {
	a := MustArray()
	for _, reset := range []bool{true, false} {
		in := rules.NewInspector(a)
		in.BeginSegment(&bus.Segment{Job: &bus.Job{Segments: 1, Deadline: 1 << 40}}, 0, 0)
		at := int64(0)
		run := func(op bus.Op) {
			end := at + int64(bus.Cost(a, &op).Total())
			var caps []bus.Capture
			if op.Scan != nil {
				caps = []bus.Capture{captureOf(a, &op, bus.Time(at), 0)}
			}
			in.Op(&op, bus.Time(at), bus.Time(end), caps)
			at = end
		}
		levels := Scan(a, C0, 0, bus.Claim{})
		levels.Scan.Levels = true
		run(Select(G | X0))
		run(Write(1, chipmodel.OutputEnable, 1, C0))
		run(Strobe(2, chipmodel.Reset, 0, C0))
		run(levels)
		if reset {
			run(Strobe(3, chipmodel.Reset, 0, C0))
		}
		run(Scan(a, C0, 1, bus.Claim{}))
		v := in.Take()
		if clean := len(v) == 0; clean != reset || !clean && v[0].Rule != rules.RuleClaim {
			t.Errorf("reset %v: %v", reset, v)
		}
	}
}

// Only a readout of levels with a settling time of its own may be early: a frame that asks
// for the same violates rule 4, and so does a readout that comes earlier than it says.
func TestOnlyLevelsMayBeEarly(t *testing.T) {
	a := MustArray()
	for name, c := range map[string]struct {
		levels bool
		early  int64 // against its own settling time
		want   bool  // rule 4 is violated
	}{
		"levels":                           {levels: true},
		"a frame":                          {want: true},
		"levels earlier than they say":     {levels: true, early: 1, want: true},
		"levels before the last step ends": {levels: true, early: 400, want: true},
	} {
		in := rules.NewInspector(a)
		in.BeginSegment(&bus.Segment{Job: &bus.Job{Segments: 1, Deadline: 1 << 40}}, 0, 0)
		sel, load, on, scan := Select(F|X0), Strobe(1, chipmodel.Load, 0, M0), Write(2, chipmodel.OutputEnable, 1, M0),
			levelsScan()
		scan.Scan.Levels, scan.Scan.Settle = c.levels, 100*time.Nanosecond // the lane needs 700
		at := int64(0)
		for _, op := range []bus.Op{sel, load, on, scan} {
			end := at + int64(bus.Cost(a, &op).Total())
			var caps []bus.Capture
			if op.Scan != nil {
				caps = []bus.Capture{captureOf(a, &op, bus.Time(at), time.Duration(c.early))}
			}
			in.Op(&op, bus.Time(at), bus.Time(end), caps)
			at = end
		}
		in.EndSegment(bus.Time(at))
		broken := slices.ContainsFunc(in.Take(), func(v rules.Violation) bool { return v.Rule == rules.RuleSettle })
		if broken != c.want {
			t.Errorf("%s: rule 4 violated: %v", name, broken)
		}
	}
}
