package rules_test

import (
	"slices"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
)

var (
	onTime = bus.Outcome{Kind: bus.OnTime}
	late   = bus.Outcome{Kind: bus.Late}
)

// loadRead is a job in three segments: load m0 and m1, read m0, read m1. It takes
// 8800 ns, then 300 + 1000 + 25800 + 1000 ns for m0.
func loadRead(a *chipmodel.Array) [3][]bus.Op {
	return [3][]bus.Op{
		{Select(F | X0 | X1), Strobe(1, chipmodel.Load, 0, M0, M1)},
		{Select(F | X0), output(1, enable, M0), Scan(a, M0, 0, bus.Claim{}), output(2, disable, M0)},
		{Select(F | X1), output(1, enable, M1), Scan(a, M1, 1, bus.Claim{}), output(2, disable, M1)},
	}
}

// between runs loadRead with another job's operations before segment n.
func between(n int, ops ...bus.Op) func(*stream) {
	return func(s *stream) {
		segments := loadRead(s.a)
		j := job("holder", 0, 3, M0, M1)
		for i := range segments {
			if i == n {
				other := job("other", 0, 1)
				s.segment(other, 0, ops...)
				s.in.JobEnded(other, onTime)
			}
			s.segment(j, i, segments[i]...)
		}
		s.in.JobEnded(j, onTime)
	}
}

func TestHeldChips(t *testing.T) {
	write := []bus.Op{Select(F | X0), Write(1, chipmodel.ColumnPattern, 3, M0)}
	reread := func(s *stream) {
		// m0 is read twice: a load between the two readouts is one too soon.
		segments := loadRead(s.a)
		j := job("holder", 0, 3, M0, M1)
		s.segment(j, 0, segments[0]...)
		s.segment(j, 1, segments[1]...)
		other := job("other", 0, 1)
		s.segment(other, 0, Select(F|X0), Write(1, chipmodel.ColumnPattern, 3, M0))
		s.in.JobEnded(other, onTime)
		s.segment(j, 2, segments[1]...)
	}
	for _, b := range []broken{
		{"written before it is read", rules.RuleHeld, 8800 + 300, []string{"m0"}, between(1, write...)},
		{"loaded by another job", rules.RuleHeld, 8800 + 300, []string{"m0"},
			between(1, Select(F|X0), Strobe(1, chipmodel.Load, 0, M0))},
		{"the other chip is still unread", rules.RuleHeld, 8800 + 28100 + 300, []string{"m1"},
			between(2, Select(F|X1), output(1, enable, M1), output(2, disable, M1))},
		{"written between two readouts", rules.RuleHeld, 8800 + 28100 + 300, []string{"m0"}, reread},
		{"read by another job", rules.RuleHeld, 8800 + 300, []string{"m0"}, func(s *stream) {
			between(1, loadRead(s.a)[1]...)(s)
		}},
	} {
		b.check(t)
	}
	for name, run := range map[string]func(*stream){
		"a chip that is not held":        between(1, Select(F|X2), Write(1, chipmodel.ColumnPattern, 3, M2)),
		"written after its last readout": between(2, write...),
		"written after its job":          between(3, write...),
		"written after the holder's last segment": func(s *stream) {
			for i, ops := range loadRead(s.a) {
				s.segment(job("holder", 0, 3), i, ops...)
			}
			s.segment(job("other", 0, 1), 0, write...)
		},
		"written after the holder failed": func(s *stream) {
			s.segment(job("holder", 0, 3), 0, loadRead(s.a)[0]...)
			s.in.JobEnded(job("holder", 0, 3), bus.Outcome{Kind: bus.Failed, Cause: "test"})
			s.segment(job("other", 0, 1), 0, write...)
		},
	} {
		s := newStream()
		run(s)
		if v := s.in.Take(); v != nil {
			t.Errorf("%s: %v", name, v)
		}
	}
}

// frames reports a job of loadRead as it happened: m0's last sample comes 8500 +
// 300 + 1000 + 1200 + 3 x 6200 + 5 x 1000 ns after its load began. Lane b's last
// comes 300 + 1000 + 1200 + 3 x 15200 + 5 x 2500 ns into its segment: a pixel every
// 2500 ns, a row after 5 x 2500 + 2700 ns.
func frames() *facetdv1.FrameSet {
	return &facetdv1.FrameSet{Frames: []*facetdv1.Frame{
		{Chip: "m0", HoldNs: 8500 + 2500 + 18600 + 5000}, {Chip: "m1", HoldNs: 8500 + 28100 + 2500 + 45600 + 12500},
	}}
}

func reported(limit bus.Job, edit func(*facetdv1.FrameSet)) func(*stream) {
	return func(s *stream) {
		j := job("holder", 0, 3, M0, M1)
		j.MaxHold, j.MaxSkew = limit.MaxHold, limit.MaxSkew
		for i, ops := range loadRead(s.a) {
			s.segment(j, i, ops...)
		}
		fs := frames()
		if edit != nil {
			edit(fs)
		}
		s.in.FrameSet(j, fs)
		s.in.JobEnded(j, onTime)
	}
}

// skewed reads two hexagonal and switch chips one after another: each 1000 + 300 ns,
// 1200 ns to the first sample.
func skewed(limit time.Duration, skew int64) func(*stream) {
	return func(s *stream) {
		j := job("ahead", 0, 1, S0, H0)
		j.MaxSkew = limit
		first := hexAt(s.a)
		second := hexJob(s.a)
		second[2].Scan.Frames[0] = 1
		s.segment(j, 0, slices.Concat(first[:3], []bus.Op{output(9, disable, S0)}, second[:1],
			[]bus.Op{output(7, enable, H0), second[2]})...)
		s.in.FrameSet(j, &facetdv1.FrameSet{SkewNs: skew, Frames: []*facetdv1.Frame{{Chip: "s0"}, {Chip: "h0"}}})
		s.in.JobEnded(j, onTime)
	}
}

func TestHoldAndSkew(t *testing.T) {
	// The scan of s0, 4 x 4: 1200 + 3 x (3 x 1000 + 1200) + 3 x 1000 + 1000 ns; then
	// 1000 + 300 + 1000 ns to the next scan.
	const skew = 1200 + 3*4200 + 3000 + 1000 + 2300
	const held = 8500 + 2500 + 18600 + 5000
	for _, b := range []broken{
		{"held too long", rules.RuleHoldSkew, -1, []string{"m1"}, reported(bus.Job{MaxHold: 97199}, nil)},
		{"hold reported too short", rules.RuleHoldSkew, -1, []string{"m0"},
			reported(bus.Job{}, func(fs *facetdv1.FrameSet) { fs.Frames[0].HoldNs-- })},
		{"capture says too short a hold", rules.RuleHoldSkew, 300 + held, []string{"m0"}, func(s *stream) {
			s.edit = func(c []bus.Capture) { c[0].Hold-- }
			reported(bus.Job{}, nil)(s)
		}},
		{"skew too large", rules.RuleHoldSkew, -1, []string{"s0", "h0"}, skewed(skew-1, skew)},
		{"skew reported too small", rules.RuleHoldSkew, -1, []string{"s0", "h0"}, skewed(0, skew-1)},
		{"a frame is missing", rules.RuleAccounted, -1, []string{"m1"},
			reported(bus.Job{}, func(fs *facetdv1.FrameSet) { fs.Frames = fs.Frames[:1] })},
		{"a frame of another chip", rules.RuleAccounted, -1, []string{"m1"},
			reported(bus.Job{}, func(fs *facetdv1.FrameSet) { fs.Frames[1].Chip = "m2" })},
	} {
		b.check(t)
	}
	for name, run := range map[string]func(*stream){
		"hold at its limit": reported(bus.Job{MaxHold: 97200, MaxSkew: 1}, nil),
		"skew at its limit": skewed(skew, skew),
	} {
		s := newStream()
		run(s)
		if v := s.in.Take(); v != nil {
			t.Errorf("%s: %v", name, v)
		}
	}
}

func TestOrder(t *testing.T) {
	ops := []bus.Op{Select(F | X0)}
	begin := func(s *stream, j *bus.Job, index int, notBefore, start bus.Time) {
		s.in.BeginSegment(&bus.Segment{Job: j, Index: index, Program: &bus.Program{Ops: ops}}, notBefore, start)
	}
	chips := []string{"m0"}
	for _, b := range []broken{
		{"segments overlap", rules.RuleOrder, 8799, chips, func(s *stream) {
			s.segment(job("a", 0, 1), 0, Select(F|X0), Strobe(1, chipmodel.Load, 0, M0))
			begin(s, job("b", 0, 1, M0), 0, 0, 8799)
		}},
		{"before its time", rules.RuleOrder, 99, chips, func(s *stream) { begin(s, job("a", 0, 1, M0), 0, 100, 99) }},
		{"before its release", rules.RuleOrder, 99, chips, func(s *stream) {
			j := job("a", 0, 1, M0)
			j.Release = 100
			begin(s, j, 0, 0, 99)
		}},
		{"segments out of order", rules.RuleOrder, 300, chips, func(s *stream) {
			j := job("a", 0, 3, M0)
			s.segment(j, 0, ops...)
			begin(s, j, 2, 300, 300)
		}},
		{"operations overlap", rules.RuleOrder, 299, []string{}, func(s *stream) {
			begin(s, job("a", 0, 1), 0, 0, 0)
			s.op(ops[0])
			op := Write(1, chipmodel.ColumnPattern, 1, M0)
			s.in.Op(&op, 299, 1299, nil)
		}},
		{"an operation that runs backwards", rules.RuleOrder, 500, []string{}, func(s *stream) {
			op := bus.Op{Kind: bus.OpWait}
			s.in.Op(&op, 500, 499, nil)
		}},
		{"a segment shorter than its operations", rules.RuleOrder, 299, []string{}, func(s *stream) {
			begin(s, job("a", 0, 1), 0, 0, 0)
			s.op(ops[0])
			s.in.EndSegment(299)
		}},
	} {
		b.check(t)
	}
}

func TestAccounting(t *testing.T) {
	ran := func(outcome bus.Outcome, deadline bus.Time) func(*stream) {
		return func(s *stream) {
			j := job("a", 0, 1, M0)
			j.Deadline = deadline
			s.segment(j, 0, Select(F|X0)) // ends at 300
			s.in.JobEnded(j, outcome)
		}
	}
	failed := bus.Outcome{Kind: bus.Failed, Cause: "test"}
	m0 := []string{"m0"}
	for _, b := range []broken{
		{"late and called on time", rules.RuleAccounted, 300, m0, ran(onTime, 299)},
		{"on time and called late", rules.RuleAccounted, 300, m0, ran(late, 300)},
		{"failed without a cause", rules.RuleAccounted, 300, m0, ran(bus.Outcome{Kind: bus.Failed}, bus.Time(none))},
		{"no outcome", rules.RuleAccounted, 300, m0, ran(bus.Outcome{}, bus.Time(none))},
		{"half a job", rules.RuleAccounted, 300, m0, func(s *stream) {
			j := job("a", 0, 2, M0)
			s.segment(j, 0, Select(F|X0))
			s.in.JobEnded(j, onTime)
		}},
		{"never ran", rules.RuleAccounted, 300, m0, func(s *stream) {
			s.segment(job("b", 0, 1), 0, Select(F|X0))
			s.in.JobEnded(job("a", 0, 1, M0), onTime)
		}},
		{"counted twice", rules.RuleAccounted, 300, m0, func(s *stream) {
			j := job("a", 4, 1, M0)
			s.segment(j, 0, Select(F|X0))
			s.in.JobEnded(j, onTime)
			s.in.JobEnded(j, failed)
		}},
		{"a number left out", rules.RuleAccounted, -1, m0, func(s *stream) {
			ran(onTime, bus.Time(none))(s)
			s.in.JobEnded(job("a", 2, 1, M0), failed)
		}},
		{"vanished under the next job", rules.RuleAccounted, 300, m0, func(s *stream) {
			s.segment(job("a", 0, 1, M0), 0, Select(F|X0))
			s.segment(job("a", 1, 1, M0), 0, Select(F|X0))
			s.in.JobEnded(job("a", 1, 1, M0), onTime)
		}},
		{"vanished at the end", rules.RuleAccounted, 777, m0, func(s *stream) {
			s.segment(job("a", 0, 1, M0), 0, Select(F|X0))
			s.in.Finish(777)
		}},
		{"a segment of no job", rules.RuleAccounted, 0, []string{},
			func(s *stream) { s.segment(nil, 0, Select(F|X0)) }},
		{"a readout without a capture", rules.RuleAccounted, 1300, []string{"h0"}, func(s *stream) {
			s.segment(job("a", 0, 1), 0, Select(H|X1), output(1, enable, H0))
			op := Scan(s.a, H0, 0, bus.Claim{})
			s.in.Op(&op, s.now, s.now+100000, nil)
		}},
	} {
		b.check(t)
	}
	for name, run := range map[string]func(*stream){
		"late":                 ran(late, 299),
		"on time to the tick":  ran(onTime, 300),
		"failed":               ran(failed, bus.Time(none)),
		"failed before it ran": func(s *stream) { s.in.JobEnded(job("a", 0, 1), failed) },
		"numbers begin anew with the task": func(s *stream) {
			ran(onTime, bus.Time(none))(s)
			ran(onTime, bus.Time(none))(s)
		},
	} {
		s := newStream()
		run(s)
		s.in.Finish(s.now)
		if v := s.in.Take(); v != nil {
			t.Errorf("%s: %v", name, v)
		}
	}
}

func TestRelease(t *testing.T) {
	broken{"lines released late", rules.RuleReleaseInTime, 25001, []string{"m0"}, func(s *stream) {
		s.segment(job("a", 0, 1), 0, Select(F|X0))
		s.in.Released(5000, 25001)
	}}.check(t)
	const lease = 3 * time.Millisecond
	broken{"lines released late after the host was lost", rules.RuleReleaseInTime, 3025001, []string{"m0"},
		func(s *stream) {
			s.segment(job("a", 0, 1), 0, Select(F|X0))
			s.in.HostLost(5000, 3025001, lease)
		}}.check(t)
	in := newStream().in
	if in.HostLost(5000, 3025000, lease); in.Total() != 0 {
		t.Errorf("lines released in time after the host was lost: %v", in.Take())
	}
	s := newStream()
	s.segment(job("a", 0, 2), 0, Select(F|X0|X1|X2))
	s.in.GiveUp(nil, s.now)
	s.in.Released(5000, 25000)
	// Every line is inactive: the write reaches nobody, and so not its target.
	s.segment(job("b", 0, 1), 0, Write(1, chipmodel.ColumnPattern, 1, M0))
	if v := s.in.Take(); len(v) != 1 || v[0].Rule != rules.RuleStrobeOnce || !slices.Equal(v[0].Chips, []string{"m0"}) {
		t.Errorf("a write after the release: %v", v)
	}
}

// A load that was given up half-way leaves nothing to read.
func TestGivenUpLoad(t *testing.T) {
	s := newStream()
	j := job("a", 0, 2)
	load := Strobe(1, chipmodel.Load, 0, M0)
	s.segment(j, 0, Select(F|X0), load)
	s.in.BeginSegment(&bus.Segment{Job: j, Index: 1}, s.now, s.now)
	s.op(Select(F | X0))
	s.in.GiveUp(&load, s.now+100)
	s.in.Released(s.now+100, s.now+100)
	if v := s.in.Take(); v != nil {
		t.Fatal(v)
	}
	s.now += 100
	s.in.BeginSegment(&bus.Segment{Job: j, Index: 1}, s.now, s.now)
	s.op(Select(F | X0))
	s.op(output(1, enable, M0))
	s.op(Scan(s.a, M0, 0, bus.Claim{}))
	if v := s.in.Take(); len(v) == 0 || v[0].Rule != rules.RuleClaim {
		t.Errorf("a torn load was read: %v", v)
	}
}

func TestViolationsAreBoundedAndCounted(t *testing.T) {
	s := newStream()
	for range 1000 {
		s.in.Released(0, bus.Time(none))
	}
	if got := len(s.in.Take()); got == 0 || got > 200 || s.in.Total() != 1000 || len(s.in.Violations()) != got {
		t.Errorf("%d violations kept of %d", got, s.in.Total())
	}
	if s.in.Take() != nil {
		t.Error("violations were handed out twice")
	}
}

// The captures of a readout that violated a rule are void: a job that fails with it
// reports no hold for them.
func TestVoidCapturesAreNotHeldAgainstTheReport(t *testing.T) {
	s := newStream()
	j := job("holder", 0, 3, M0, M1)
	s.segment(j, 0, loadRead(s.a)[0]...)
	s.edit = func(c []bus.Capture) { c[0].FirstSample-- }
	s.segment(j, 1, loadRead(s.a)[1]...)
	if v := s.in.Take(); len(v) == 0 || v[0].Rule != rules.RuleSettle {
		t.Fatalf("caught %v", v)
	}
	s.in.FrameSet(j, &facetdv1.FrameSet{Failure: "settling", Frames: []*facetdv1.Frame{{Chip: "m0"}, {Chip: "m1"}}})
	s.in.JobEnded(j, bus.Outcome{Kind: bus.Failed, Cause: "settling"})
	if v := s.in.Take(); v != nil {
		t.Errorf("a failed job: %v", v)
	}
}
