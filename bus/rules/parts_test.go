package rules_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
)

// TestMemoryReadByCounter: a memory that is read by counter is judged as one that is addressed:
// it must have settled, and its hold counts from the load to the last pixel that the counter
// comes to.
func TestMemoryReadByCounter(t *testing.T) {
	msg := Message()
	for _, c := range msg.GetClasses() {
		if c.GetMemory() != nil {
			c.Counter = &facetdv1.Counter{Reset_: durationpb.New(2000)}
		}
	}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	scan := Scan(a, M0, 0, bus.Claim{})
	ops := []bus.Op{Select(F | X0), Strobe(1, chipmodel.Load, 0, M0), output(2, enable, M0),
		Strobe(3, chipmodel.Reset, 0, M0), scan, output(4, disable, M0)}
	timing := scan.Scan.Timing(a)
	held := bus.CostOf(a, ops[1:4]).Total() + timing.SampleAt(scan.Scan.Window.Rows-1, scan.Scan.Window.Columns-1)
	for name, c := range map[string]struct {
		limit time.Duration
		edit  func([]bus.Capture)
		want  int
	}{
		"within its limit": {held, nil, 0},
		"held too long":    {held - 1, nil, rules.RuleHoldSkew},
		"a hold that is made shorter": {0, func(c []bus.Capture) { c[0].Hold-- },
			rules.RuleHoldSkew},
		"sampled too early": {0, func(c []bus.Capture) {
			c[0].FirstSample--
			c[0].Hold++
		}, rules.RuleSettle},
		"rows too close": {0, func(c []bus.Capture) {
			c[0].RowInterval--
			c[0].Hold += 10
		}, rules.RuleSettle},
	} {
		s := &stream{a: a, in: rules.NewInspector(a), load: map[int]bus.Time{}, edit: c.edit}
		j := job("j", 0, 1, M0)
		j.MaxHold = c.limit
		s.segment(j, 0, ops...)
		s.in.JobEnded(j, bus.Outcome{Kind: bus.OnTime})
		got := s.in.Take()
		if c.want == 0 && len(got) > 0 || c.want != 0 && (len(got) == 0 || got[0].Rule != c.want) {
			t.Errorf("%s: %v, want rule %d", name, got, c.want)
		}
	}
}

// TestBiasOfALoad: a frame shows the pixels as they were biased at the load; a bias that
// is written after it changes the register, not the frame. The chip is read by counter,
// so that its load outlives a reset.
func TestBiasOfALoad(t *testing.T) {
	msg := Message()
	for _, c := range msg.GetClasses() {
		if c.GetMemory() != nil {
			c.PixelBias = &facetdv1.PixelBias{Nominal: 100, VoltsPerStep: proto.Float64(0.001)}
			c.Counter = &facetdv1.Counter{Reset_: durationpb.New(2000)}
		}
	}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	bias := Write(1, chipmodel.PixelBias, 90, M0)
	load := Strobe(2, chipmodel.Load, 0, M0)
	claim := bus.Claim{Registers: []bus.RegisterValue{{Register: chipmodel.PixelBias, Value: 90}}}
	read := []bus.Op{output(3, enable, M0), Strobe(4, chipmodel.Reset, 0, M0), Scan(a, M0, 0, claim),
		output(5, disable, M0)}
	for name, c := range map[string]struct {
		ops  []bus.Op
		want string
	}{
		"before the load": {append([]bus.Op{Select(F | X0), bias, load}, read...), ""},
		"after the load": {append([]bus.Op{Select(F | X0), load, bias}, read...),
			"claims a pixel bias of 90, the chip was loaded under 100"},
		"without a counter reset": {append([]bus.Op{Select(F | X0), bias, load, read[0]}, read[2:]...),
			"was not reset"},
	} {
		s := &stream{a: a, in: rules.NewInspector(a), load: map[int]bus.Time{}}
		s.segment(job("j", 0, 1, M0), 0, c.ops...)
		var got []string
		for _, v := range s.in.Violations() {
			got = append(got, v.String())
		}
		if text := strings.Join(got, "; "); (c.want == "") != (text == "") || !strings.Contains(text, c.want) {
			t.Errorf("%s: %q, want %q", name, text, c.want)
		}
	}
}
