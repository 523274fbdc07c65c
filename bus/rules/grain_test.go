package rules_test

import (
	"strings"
	"testing"
	"time"

	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/bus/rules"
)

// onGrain is a stream on a bus of a grain.
func onGrain(t *testing.T, grain time.Duration) *stream {
	t.Helper()
	a, err := MustArray().OnGrain(grain)
	if err != nil {
		t.Fatal(err)
	}
	return &stream{a: a, in: rules.NewInspector(a), load: map[int]bus.Time{}}
}

// TestGrain: programs made for a bus of a grain violate no rule on it. What begins, ends or is sampled between two of
// its steps does.
func TestGrain(t *testing.T) {
	const grain = 7
	job := job("hex", 0, 1, H0)
	clean := onGrain(t, grain)
	clean.segment(job, 0, hexJob(clean.a)...)
	if v := clean.in.Violations(); len(v) > 0 {
		t.Fatalf("a good program: %v", v)
	}
	for _, c := range []struct {
		name string
		do   func(s *stream)
		says string
	}{
		{"a start off the grain", func(s *stream) {
			s.now += 3
			s.in.BeginSegment(&bus.Segment{Job: job}, s.now, s.now)
		}, "a segment begins or ends 3 ns after"},
		{"an operation of another length", func(s *stream) {
			ops := hexJob(s.a)
			s.in.BeginSegment(&bus.Segment{Job: job, Program: &bus.Program{Ops: ops}}, s.now, s.now)
			s.in.Op(&ops[0], s.now, s.now.Add(bus.Cost(s.a, &ops[0]).Total()+1), nil)
		}, "an operation begins or ends 1 ns after"},
		{"a sample off the grain", func(s *stream) {
			s.edit = func(caps []bus.Capture) { caps[0].FirstSample++ }
			s.segment(job, 0, hexJob(s.a)...)
		}, "a first sample begins or ends 1 ns after"},
		{"an interval off the grain", func(s *stream) {
			s.edit = func(caps []bus.Capture) { caps[0].PixelInterval += 2 }
			s.segment(job, 0, hexJob(s.a)...)
		}, "an interval of pixels begins or ends 2 ns after"},
	} {
		s := onGrain(t, grain)
		c.do(s)
		found := false
		for _, v := range s.in.Violations() {
			found = found || v.Rule == rules.RuleOrder && strings.Contains(v.Message, c.says)
		}
		if !found {
			t.Errorf("%s: %v", c.name, s.in.Violations())
		}
	}
}

// TestTimesBetweenSteps: times that a bus cannot keep are refused before they are planned or run.
func TestTimesBetweenSteps(t *testing.T) {
	a, err := MustArray().OnGrain(7)
	if err != nil {
		t.Fatal(err)
	}
	share := bus.Share(10).Op(1, []int{M0})
	wait := bus.WaitOp(10)
	scan := hexJob(a)[2]
	for _, op := range hexJob(a) {
		if op.Scan != nil {
			scan = op
			s := *op.Scan
			s.Settle = 10
			scan.Scan = &s
		}
	}
	for _, op := range []bus.Op{share, wait, scan} {
		if err := bus.CheckOps(a, []bus.Op{op}); err == nil || !strings.Contains(err.Error(), "grain of 7ns") {
			t.Errorf("a %s: %v", op.Kind, err)
		}
	}
	b := bus.NewBuilder(a)
	b.Do(bus.Share(10), []int{M0})
	b.Wait(10)
	b.Read(*scan.Scan)
	ops := b.Take()
	if ops[0].Hold != 14 || ops[1].Hold != 14 || ops[2].Scan.Settle != 14 || scan.Scan.Settle != 10 {
		t.Errorf("a builder makes holds of %v and %v, settling of %v", ops[0].Hold, ops[1].Hold, ops[2].Scan.Settle)
	}
	if err := bus.CheckOps(a, ops); err != nil {
		t.Error(err)
	}
}
