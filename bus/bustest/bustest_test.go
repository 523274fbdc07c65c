package bustest_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
)

func freeBus(t *testing.T) *virtual.Bus {
	t.Helper()
	b, err := virtual.New(virtual.Config{Array: MustArray(), Scene: scene.Uniform(50), Pace: facetdv1.Pace_PACE_FREE,
		Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func hexSegment(n uint64) *bus.Segment {
	return &bus.Segment{
		Job: &bus.Job{Task: "hex", Number: n, Deadline: bus.Time(time.Hour), Segments: 1},
		Program: &bus.Program{Ops: []bus.Op{
			Select(H | X1), Write(1, chipmodel.OutputEnable, 1, H0),
			Scan(MustArray(), H0, 0, bus.Claim{}), Write(2, chipmodel.OutputEnable, 0, H0),
		}},
	}
}

// record runs three segments, the last of which violates a rule.
func record(t *testing.T) []Record {
	t.Helper()
	r := NewRecorder(freeBus(t))
	for n := range uint64(3) {
		s := hexSegment(n)
		if n == 2 {
			s.Ops[1].Value = 0
		}
		_, err := Run(t.Context(), r, bus.Time(int64(n)*100_000), s)
		if (err != nil) != (n == 2) {
			t.Fatal(err)
		}
		s.Job.Number = 99 // the recorder keeps its own copy
	}
	stop, err := r.Release(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(r.Released(), []bus.Time{stop.Inactive}) || len(r.Records()) != 3 {
		t.Fatalf("released %v, %d records", r.Released(), len(r.Records()))
	}
	return r.Records()
}

func TestPlayerAnswersAsRecorded(t *testing.T) {
	records := record(t)
	epoch := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	p := NewPlayer(records, epoch)
	for n := range uint64(3) {
		if err := p.WaitUntil(t.Context(), bus.Time(int64(n)*100_000)); err != nil ||
			p.Now() != bus.Time(n)*bus.Time(100_000) {
			t.Fatalf("now %d, %v", p.Now(), err)
		}
		s := hexSegment(n)
		if n == 2 {
			s.Ops[1].Value = 0
		}
		res, err := Run(t.Context(), p, bus.Time(int64(n)*100_000), s)
		if err != records[n].Result.Err || res.End != records[n].Result.End || p.Now() != res.End ||
			len(res.Captures) != len(records[n].Result.Captures) {
			t.Errorf("segment %d: %+v, %v", n, res, err)
		}
	}
	if host, off := p.HostTime(1e9); !host.Equal(epoch.Add(time.Second)) || off != 0 {
		t.Errorf("host time %v", host)
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
}

func TestPlayerFailsOnMismatch(t *testing.T) {
	records := record(t)
	for says, run := range map[string]func(*Player) error{
		"starts at 1 ns": func(p *Player) error { _, err := Run(t.Context(), p, 1, hexSegment(0)); return err },
		"belongs to":     func(p *Player) error { _, err := Run(t.Context(), p, 0, hexSegment(1)); return err },
		"operation 3": func(p *Player) error {
			s := hexSegment(0)
			s.Ops[3].Value = 1
			_, err := Run(t.Context(), p, 0, s)
			return err
		},
		"has 3 operations": func(p *Player) error {
			s := hexSegment(0)
			s.Ops = s.Ops[:3]
			_, err := Run(t.Context(), p, 0, s)
			return err
		},
		"segment 1 of its job": func(p *Player) error {
			s := hexSegment(0)
			s.Index = 1
			_, err := Run(t.Context(), p, 0, s)
			return err
		},
	} {
		p := NewPlayer(records, time.Time{})
		err := run(p)
		var mismatch *MismatchError
		if !errors.As(err, &mismatch) || mismatch.Index != 0 || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, want a mismatch about %q", err, says)
		}
		if closed := p.Close(); closed != err {
			t.Errorf("Close: %v, want %v", closed, err)
		}
	}
	p := NewPlayer(records[:1], time.Time{})
	if err := p.Close(); err == nil || !strings.Contains(err.Error(), "1 of 1") {
		t.Errorf("Close with a segment left: %v", err)
	}
	if _, err := Run(t.Context(), p, 0, hexSegment(0)); err != nil {
		t.Error(err)
	}
	if _, err := Run(t.Context(), p, 0, hexSegment(1)); err == nil || !strings.Contains(err.Error(), "nothing more") {
		t.Errorf("beyond the end: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Run(ctx, p, 0, hexSegment(1)); !errors.Is(err, context.Canceled) ||
		!errors.Is(p.WaitUntil(ctx, 1), context.Canceled) {
		t.Errorf("an ended context: %v", err)
	}
}

func TestFaults(t *testing.T) {
	cause := errors.New("connector pulled")
	second := func(_ bus.Time, s *bus.Segment) bool { return s.Job.Number >= 1 }
	f := NewFaulty(freeBus(t),
		Fault{When: second, Skip: 1, Times: 1, Err: cause},
		Fault{When: second, Skip: 1, Times: 1, Delay: time.Microsecond},
		Fault{When: func(start bus.Time, _ *bus.Segment) bool { return start == 400_000 }, Err: cause, After: true},
	)
	type got struct {
		start    bus.Time
		captures int
		err      error
	}
	var all []got
	for n := range uint64(5) {
		res, err := Run(t.Context(), f, bus.Time(int64(n)*100_000), hexSegment(n))
		all = append(all, got{res.Start, len(res.Captures), err})
	}
	want := []got{{0, 1, nil}, {100_000, 1, nil}, {200_000, 0, cause}, {301_000, 1, nil}, {400_000, 1, cause}}
	if !slices.Equal(all, want) {
		t.Errorf("got %+v, want %+v", all, want)
	}
	if hits := f.Hits(); !slices.Equal(hits, []int{4, 3, 1}) {
		t.Errorf("hits %v", hits)
	}
}

// TestHalfWay: a segment that breaks off has run its first operations on the bus below, and gives what they captured.
func TestHalfWay(t *testing.T) {
	cause := errors.New("connector pulled")
	whole := hexSegment(0)
	for after := 1; after <= len(whole.Ops); after++ {
		below := NewRecorder(freeBus(t))
		f := NewFaulty(below, Fault{Err: cause, HalfWay: after})
		res, err := Run(t.Context(), f, 0, hexSegment(0))
		if !errors.Is(err, cause) {
			t.Errorf("after %d operations: %v", after, err)
		}
		ran := below.Records()
		if len(ran) != 1 || len(ran[0].Segment.Ops) != after || res.End != ran[0].Result.End ||
			len(res.Captures) != len(ran[0].Result.Captures) {
			t.Errorf("after %d operations: %+v ran, the result is %+v", after, ran, res)
		}
	}
	if len(whole.Ops) < 3 {
		t.Fatal("the segment is too short to break off")
	}
}
