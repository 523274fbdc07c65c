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

// stream feeds an inspector with operations in exact time.
type stream struct {
	a    *chipmodel.Array
	in   *rules.Inspector
	now  bus.Time
	load map[int]bus.Time // start of each chip's load
	// edit changes the captures of a scan before they are claimed.
	edit func([]bus.Capture)
}

func newStream() *stream {
	a := MustArray()
	return &stream{a: a, in: rules.NewInspector(a), load: map[int]bus.Time{}}
}

// captures of a scan in exact time, from the array's own description of it.
func (s *stream) captures(op *bus.Op) []bus.Capture {
	var caps []bus.Capture
	t := s.a.ScanTime(op.Scan.Chips, op.Scan.Window, op.Scan.Settle)
	for i, c := range op.Scan.Chips {
		cp := bus.Capture{Chip: c, Frame: op.Scan.Frames[i], FirstRow: op.Scan.FirstRow, Window: op.Scan.Window,
			FirstSample: s.now.Add(t.First), RowInterval: t.RowInterval, PixelInterval: t.PixelInterval,
			Converted: s.now.Add(t.Duration)}
		if at, loaded := s.load[c]; loaded {
			cp.Hold = time.Duration(cp.LastSample() - at)
		}
		caps = append(caps, cp)
	}
	return caps
}

func (s *stream) op(op bus.Op) {
	end := s.now.Add(bus.Cost(s.a, &op).Total())
	var caps []bus.Capture
	switch {
	case op.Scan != nil:
		caps = s.captures(&op)
		if s.edit != nil {
			s.edit(caps)
		}
	case op.Kind == bus.OpStrobe && op.Strobe == chipmodel.Load:
		for _, c := range op.Target {
			s.load[c] = s.now
		}
	}
	s.in.Op(&op, s.now, end, caps)
	s.now = end
}

func (s *stream) segment(job *bus.Job, index int, ops ...bus.Op) {
	s.in.BeginSegment(&bus.Segment{Job: job, Index: index, Program: &bus.Program{Ops: ops}}, s.now, s.now)
	for _, op := range ops {
		s.op(op)
	}
	s.in.EndSegment(s.now)
}

// none is a far deadline.
const none = int64(time.Hour)

func job(task string, number uint64, segments int, chips ...int) *bus.Job {
	return &bus.Job{Task: task, Number: number, Deadline: bus.Time(none), Segments: segments, Chips: chips}
}

const (
	enable  = 1
	disable = 0
)

func output(command int, value uint16, target ...int) bus.Op {
	return Write(command, chipmodel.OutputEnable, value, target...)
}

func shares(columns, rows uint8) bus.Claim {
	return bus.Claim{Shares: []bus.Patterns{{Columns: columns, Rows: rows}}}
}

// memoryJob loads all memory chips at once, shares pairs of columns, and reads them:
// two in parallel and then the third.
func memoryJob(a *chipmodel.Array) []bus.Op {
	claim := shares(0x55, 0)
	return []bus.Op{
		Select(F | X0 | X1 | X2),
		Strobe(1, chipmodel.Load, 0, M0, M1, M2),
		Write(2, chipmodel.ColumnPattern, 0x55, M0, M1, M2),
		Write(3, chipmodel.RowPattern, 0, M0, M1, M2),
		Strobe(4, chipmodel.Share, 3*time.Microsecond, M0, M1, M2),
		Select(F | X0 | X1),
		output(5, enable, M0, M1),
		ScanAll(a, []int{M0, M1}, []int{0, 1}, claim),
		output(6, disable, M0, M1),
		Select(F | X2),
		output(7, enable, M2),
		Scan(a, M2, 2, claim),
		output(8, disable, M2),
	}
}

func counterJob(a *chipmodel.Array, chip int, word chipmodel.LineSet) []bus.Op {
	return []bus.Op{
		Select(word),
		output(1, enable, chip),
		Strobe(2, chipmodel.Reset, 0, chip),
		Scan(a, chip, 0, bus.Claim{}),
		output(3, disable, chip),
	}
}

func switchJob(a *chipmodel.Array, wait time.Duration) []bus.Op {
	return []bus.Op{
		Select(H | X0),
		Write(1, chipmodel.ColumnPattern, 0x55, S0),
		{Kind: bus.OpWait, Hold: wait, Phase: 5},
		output(2, enable, S0),
		Scan(a, S0, 0, bus.Claim{Registers: []bus.RegisterValue{{Register: chipmodel.ColumnPattern, Value: 0x55}}}),
		output(3, disable, S0),
	}
}

func hexJob(a *chipmodel.Array) []bus.Op {
	return []bus.Op{Select(H | X1), output(1, enable, H0), Scan(a, H0, 0, bus.Claim{}), output(2, disable, H0)}
}

func TestCleanProgramsViolateNoRule(t *testing.T) {
	s := newStream()
	onTime := bus.Outcome{Kind: bus.OnTime}
	for n := range uint64(3) {
		for task, ops := range map[string][]bus.Op{
			"mems": memoryJob(s.a), "count": counterJob(s.a, C0, G|X0), "trim": counterJob(s.a, T0, G|X1),
			"switch": switchJob(s.a, 4*time.Microsecond), "hex": hexJob(s.a),
		} {
			j := job(task, n, 1)
			s.segment(j, 0, ops...)
			s.in.JobEnded(j, onTime)
			s.now += 1000
		}
	}
	s.in.Released(s.now, s.now+20000)
	s.in.Finish(s.now)
	if v := s.in.Violations(); len(v) != 0 || s.in.Total() != 0 || s.in.Broken() != 0 {
		t.Errorf("a clean program violated %d rules: %v", s.in.Total(), v)
	}
}

// broken is one program that violates a rule on purpose.
type broken struct {
	name  string
	rule  int
	at    bus.Time // -1 where the time is not fixed by hand
	chips []string
	run   func(*stream)
}

// check runs a program and expects its first violation; later ones may follow from it.
func (b broken) check(t *testing.T) {
	t.Helper()
	s := newStream()
	b.run(s)
	got := s.in.Take()
	if len(got) == 0 {
		t.Fatalf("%s: nothing was caught", b.name)
	}
	v := got[0]
	if v.Rule != b.rule || !slices.Equal(v.Chips, b.chips) || (b.at >= 0 && v.At != b.at) || v.Message == "" {
		t.Errorf("%s: caught %v (and %d more), want rule %d at %d of %v", b.name, v, len(got)-1, b.rule, b.at, b.chips)
	}
	if s.in.Total() != uint64(len(got)) {
		t.Errorf("%s: %d violations counted, %d handed out", b.name, s.in.Total(), len(got))
	}
	stops := slices.ContainsFunc(got, func(v rules.Violation) bool { return v.Rule <= 6 || v.Rule == 8 })
	if (s.in.Broken() > 0) != stops {
		t.Errorf("%s: %d violations call for a stop", b.name, s.in.Broken())
	}
}

// Times by hand: a select takes 300 ns and the word is active after 100 ns, a write
// takes 1000 ns, a strobe 500 ns, a load of four rows 500 + 4 x 2000 ns.
func TestRulesOfOneOperation(t *testing.T) {
	j := job("any", 0, 1)
	mems := job("mems", 0, 1, M0, M1, M2)
	claim := shares(0x55, 0)
	for _, b := range []broken{
		{"two outputs enabled on one lane", rules.RuleOneDriver, 1300, []string{"m0", "m2"}, func(s *stream) {
			s.segment(j, 0, Select(F|X0|X2), output(1, enable, M0, M2))
		}},
		{"a word joins two enabled chips", rules.RuleOneDriver, 2700, []string{"m0", "m2"}, func(s *stream) {
			s.segment(j, 0, Select(F|X0), output(1, enable, M0), Select(F|X2), output(2, enable, M2), Select(F|X0|X2))
		}},
		{"enabled in an earlier segment", rules.RuleOneDriver, 2700, []string{"c0", "s0"}, func(s *stream) {
			s.segment(j, 0, Select(G|X0), output(1, enable, C0), Select(H|X0), output(2, enable, S0))
			s.in.JobEnded(j, bus.Outcome{Kind: bus.OnTime})
			s.segment(job("other", 0, 1), 0, Select(G|H|X0))
		}},
		{"make before break", rules.RuleOneDriver, 300, []string{"m0"}, func(s *stream) {
			s.segment(j, 0, Select(F|X0))
			op := Select(F | X1)
			s.in.Op(&op, 300, 300+99, nil)
		}},
		{"two chips of one lane in a readout", rules.RuleOneDriver, 300, []string{"m0", "m2"}, func(s *stream) {
			s.segment(j, 0, Select(F|X0|X2), ScanAll(s.a, []int{M0, M2}, []int{0, 1}, bus.Claim{}))
		}},
		{"a write beyond its target", rules.RuleTarget, 300, []string{"m1"}, func(s *stream) {
			s.segment(j, 0, Select(F|X0|X1), Write(1, chipmodel.ColumnPattern, 1, M0))
		}},
		{"a readout under too wide a word", rules.RuleTarget, 10000, []string{"m1"}, func(s *stream) {
			s.segment(j, 0, Select(F|X0|X1), Strobe(1, chipmodel.Load, 0, M0, M1),
				Write(2, chipmodel.ColumnPattern, 1, M0, M1))
			s.now = 10000
			s.op(Scan(s.a, M0, 0, bus.Claim{}))
		}},
		{"one command with two targets", rules.RuleTarget, 1600, []string{"m1"}, func(s *stream) {
			s.segment(j, 0, Select(F|X0), Write(1, chipmodel.ColumnPattern, 1, M0), Select(F|X1),
				Write(1, chipmodel.ColumnPattern, 1, M1))
		}},
		{"a command for a chip of no concern to the job", rules.RuleTarget, 300, []string{"c0"}, func(s *stream) {
			s.segment(mems, 0, Select(G|X0), output(1, disable, C0))
		}},
		{"a readout of a chip of no concern to the job", rules.RuleTarget, 300, []string{"h0"}, func(s *stream) {
			s.segment(mems, 0, Select(H|X1), Scan(s.a, H0, 0, bus.Claim{}))
		}},
		{"a write cut short", rules.RuleClaim, 300, []string{"m0"}, func(s *stream) {
			s.segment(mems, 0, Select(F|X0))
			op := Write(1, chipmodel.ColumnPattern, 1, M0)
			s.in.Op(&op, 300, 300+999, nil)
		}},
		{"a strobe cut short", rules.RuleClaim, 300, []string{"m0"}, func(s *stream) {
			s.segment(mems, 0, Select(F|X0))
			op := Strobe(1, chipmodel.Load, 0, M0)
			s.in.Op(&op, 300, 300+499, nil)
		}},
		{"a share that took less time than it says", rules.RuleClaim, -1, []string{"m0"}, func(s *stream) {
			ops := memoryJob(s.a)
			share := ops[4]
			s.in.BeginSegment(&bus.Segment{Job: j, Program: &bus.Program{Ops: ops}}, s.now, s.now)
			for i := range ops {
				if i == 4 {
					s.in.Op(&share, s.now, s.now+600, nil)
					s.now += 600
					continue
				}
				s.op(ops[i])
			}
		}},
		{"a strobe that arrives twice", rules.RuleStrobeOnce, 9100, []string{"m1"}, func(s *stream) {
			s.segment(j, 0, Select(F|X0|X1), Strobe(1, chipmodel.Load, 0, M0, M1, M2), Select(F|X1|X2),
				Strobe(1, chipmodel.Load, 0, M0, M1, M2))
		}},
		{"a strobe that misses a chip", rules.RuleStrobeOnce, 8800, []string{"m1", "m2"}, func(s *stream) {
			s.segment(j, 0, Select(F|X0), Strobe(1, chipmodel.Load, 0, M0, M1, M2))
		}},
		{"a write that misses a chip", rules.RuleStrobeOnce, 1300, []string{"m2"}, func(s *stream) {
			s.segment(j, 0, Select(F|X0|X1), Write(1, chipmodel.RowPattern, 1, M0, M1, M2))
		}},
		{"a register is not what the frame claims", rules.RuleClaim, 6300, []string{"s0"}, func(s *stream) {
			ops := switchJob(s.a, 4*time.Microsecond)
			ops[4].Scan.Claim.Registers[0].Value = 0x77
			s.segment(j, 0, ops...)
		}},
		{"a share that never was", rules.RuleClaim, 9800, []string{"m0"}, func(s *stream) {
			s.segment(j, 0, Select(F|X0), Strobe(1, chipmodel.Load, 0, M0), output(2, enable, M0),
				Scan(s.a, M0, 0, claim))
		}},
		{"a share of other patterns", rules.RuleClaim, -1, []string{"m0"}, func(s *stream) {
			ops := memoryJob(s.a)
			ops[2].Value = 0x77
			s.segment(j, 0, ops...)
		}},
		{"a share that was opened too soon", rules.RuleClaim, -1, []string{"m0"}, func(s *stream) {
			ops := memoryJob(s.a)
			ops[4].Hold = 2999 * time.Nanosecond
			s.segment(j, 0, ops...)
		}},
		{"memory that was not loaded", rules.RuleClaim, 1300, []string{"m0"}, func(s *stream) {
			s.segment(j, 0, Select(F|X0), output(1, enable, M0), Scan(s.a, M0, 0, bus.Claim{}))
		}},
		{"an output that is off", rules.RuleClaim, 300, []string{"h0"}, func(s *stream) {
			s.segment(j, 0, Select(H|X1), Scan(s.a, H0, 0, bus.Claim{}))
		}},
		{"a counter that was not reset", rules.RuleClaim, 1300, []string{"c0"}, func(s *stream) {
			s.segment(j, 0, Select(G|X0), output(1, enable, C0), Scan(s.a, C0, 0, bus.Claim{}))
		}},
		{"a counter that was advanced", rules.RuleClaim, 4050, []string{"c0"}, func(s *stream) {
			// Reset 2000 ns (its pulse, longer than the strobe), advance 500 ns.
			s.segment(j, 0, Select(G|X0), output(1, enable, C0), Strobe(2, chipmodel.Reset, 0, C0),
				Strobe(3, chipmodel.Advance, 0, C0))
			s.now = 4050
			s.op(Scan(s.a, C0, 0, bus.Claim{}))
		}},
		{"a counter chip read by address", rules.RuleClaim, -1, []string{"c0"}, func(s *stream) {
			ops := counterJob(s.a, C0, G|X0)
			ops[3].Kind = bus.OpScan
			s.segment(j, 0, ops...)
		}},
	} {
		b.check(t)
	}
}

// settled runs a job whose captures are edited.
func settled(ops func(*chipmodel.Array) []bus.Op, edit func([]bus.Capture)) func(*stream) {
	return func(s *stream) {
		s.edit = edit
		s.segment(job("t", 0, 1), 0, ops(s.a)...)
	}
}

// The readout of the memory chip on lane a, by hand: the first sample after a row
// step, a step and the measured settling time, 200 + 300 + 700 ns; then a pixel
// every max(300 + 700, 1000) ns; lane b, which converts before it moves on, every
// 300 + 700 + 1500 ns. The counter chip on lane a settles for 11 ln 2 x 10 kOhm x
// (10 + 4 x 1) pF = 1067.4 ns, rounded up.
func TestSettling(t *testing.T) {
	single := func(a *chipmodel.Array) []bus.Op {
		return []bus.Op{Select(F | X0), Strobe(1, chipmodel.Load, 0, M0), output(2, enable, M0),
			Scan(a, M0, 0, bus.Claim{}), output(3, disable, M0)}
	}
	laneB := func(a *chipmodel.Array) []bus.Op {
		return []bus.Op{Select(F | X1), Strobe(1, chipmodel.Load, 0, M1), output(2, enable, M1),
			Scan(a, M1, 0, bus.Claim{}), output(3, disable, M1)}
	}
	count := func(a *chipmodel.Array) []bus.Op { return counterJob(a, C0, G|X0) }
	// The scan of single begins at 300 + 8500 + 1000 ns, that of count at 300 + 1000 + 2000.
	const began, counted = 9800, 3300
	for _, b := range []broken{
		{"first sample early", rules.RuleSettle, began + 1199, []string{"m0"}, settled(single, func(c []bus.Capture) {
			c[0].FirstSample--
			c[0].Hold++
		})},
		{"pixels too close", rules.RuleSettle, began + 1200 + 999, []string{"m0"},
			settled(single, func(c []bus.Capture) { c[0].PixelInterval-- })},
		{"rows too close", rules.RuleSettle, began + 1200 + 6199, []string{"m0"},
			settled(single, func(c []bus.Capture) {
				c[0].RowInterval--
				c[0].Hold += 10
			})},
		{"conversion ends too soon", rules.RuleSettle, -1, []string{"m0"},
			settled(single, func(c []bus.Capture) { c[0].Converted-- })},
		{"operation ends before the conversion", rules.RuleSettle, -1, []string{"m0"},
			settled(single, func(c []bus.Capture) { c[0].Converted++ })},
		{"lane moves during the conversion", rules.RuleSettle, began + 1200 + 2499, []string{"m1"},
			settled(laneB, func(c []bus.Capture) { c[0].PixelInterval-- })},
		{"computed settling cut", rules.RuleSettle, counted + 250 + 1067, []string{"c0"},
			settled(count, func(c []bus.Capture) { c[0].FirstSample-- })},
		{"pixels joined before sensing not settled", rules.RuleSettle, 1300 + 2799 + 1000 + 1200, []string{"s0"},
			func(s *stream) {
				s.segment(job("t", 0, 1), 0, switchJob(s.a, 2799)...)
			}},
	} {
		b.check(t)
	}
	s := newStream()
	s.segment(job("t", 0, 1), 0, switchJob(s.a, 2800)...)
	if v := s.in.Take(); v != nil {
		t.Errorf("5000 ns after the pattern: %v", v)
	}
}

// A converter may need longer than the lane: pixel intervals that leave it settled
// but the conversion unfinished violate the rule too.
func TestConversionsDoNotOverlap(t *testing.T) {
	msg := Message()
	msg.Lanes[0].Converter.Conversion.Nanos = 4000
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	s := newStream()
	s.a, s.in = a, rules.NewInspector(a)
	s.edit = func(c []bus.Capture) { c[0].PixelInterval = 3999 }
	s.segment(job("t", 0, 1), 0, hexAt(a)...)
	v := s.in.Take()
	if len(v) == 0 || v[0].Rule != rules.RuleSettle || !slices.Equal(v[0].Chips, []string{"s0"}) {
		t.Errorf("conversions overlap, caught %v", v)
	}
}

// hexAt reads the chip with pixel switches of lane a, without patterns.
func hexAt(a *chipmodel.Array) []bus.Op {
	return []bus.Op{Select(H | X0), output(1, enable, S0), Scan(a, S0, 0, bus.Claim{}), output(2, disable, S0)}
}

// The inspector always runs: once it has seen a program, it judges it without
// allocating.
func TestInspectorDoesNotAllocate(t *testing.T) {
	s := newStream()
	ops := memoryJob(s.a)
	caps := make([][]bus.Capture, len(ops))
	ends := make([]time.Duration, len(ops))
	s.load = map[int]bus.Time{M0: 300, M1: 300, M2: 300}
	for i := range ops {
		if ops[i].Scan != nil {
			caps[i] = s.captures(&ops[i])
		}
		s.now = s.now.Add(bus.Cost(s.a, &ops[i]).Total())
		ends[i] = s.now.Elapsed()
	}
	j := job("mems", 0, 1)
	segment := &bus.Segment{Job: j, Program: &bus.Program{Ops: ops}}
	length, at := s.now.Elapsed(), bus.Time(0)
	run := func() {
		s.in.BeginSegment(segment, at, at)
		from := at
		for i := range ops {
			s.in.Op(&ops[i], from, at.Add(ends[i]), caps[i])
			from = at.Add(ends[i])
		}
		s.in.EndSegment(from)
		s.in.JobEnded(j, bus.Outcome{Kind: bus.OnTime})
		at = at.Add(length)
		for i := range caps {
			for k := range caps[i] {
				caps[i][k].FirstSample = caps[i][k].FirstSample.Add(length)
				caps[i][k].Converted = caps[i][k].Converted.Add(length)
			}
		}
	}
	run()
	if n := testing.AllocsPerRun(100, run); n != 0 {
		t.Errorf("%v allocations a job", n)
	}
	if v := s.in.Take(); v != nil {
		t.Errorf("the program was not clean: %v", v)
	}
}
