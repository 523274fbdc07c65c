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

// exposedJob exposes a memory chip for a time within an operation of a length, loads and reads it.
func exposedJob(a *chipmodel.Array, exposure, lasts, claim time.Duration) []bus.Op {
	expose := Strobe(1, chipmodel.Expose, exposure, M0)
	expose.Lasts = lasts
	return []bus.Op{
		Select(F | X0),
		expose,
		Strobe(2, chipmodel.Load, 0, M0),
		output(3, enable, M0),
		Scan(a, M0, 0, bus.Claim{Exposure: claim}),
		output(4, disable, M0),
	}
}

// TestExposuresAreWhatFramesClaim: an exposure lasts from its strobe to the load, as the operations say, and a claim
// that is a tick off is found; one that began before a select, or on chips without a shutter, is not the bus's.
func TestExposuresAreWhatFramesClaim(t *testing.T) {
	const us = time.Microsecond
	without := func(i int, ops []bus.Op) []bus.Op { return append(ops[:i:i], ops[i+1:]...) }
	before := func(i int, op bus.Op, ops []bus.Op) []bus.Op {
		return append(append(ops[:i:i], op), ops[i:]...)
	}
	linear, logarithmic := MustLinearArray(), MustArray()
	for _, c := range []struct {
		name string
		a    *chipmodel.Array
		ops  []bus.Op
		says string // of the violation; none where it is empty
	}{
		{"as claimed", linear, exposedJob(linear, 10*us, 0, 10*us), ""},
		{"begun later in a longer operation", linear, exposedJob(linear, 10*us, 300*us, 10*us), ""},
		{"a tick less claimed", linear, exposedJob(linear, 10*us, 300*us, 10*us-1), "exposure of 9.999"},
		{"a tick more claimed", linear, exposedJob(linear, 10*us, 300*us, 10*us+1), "exposure of 10.001"},
		{"nothing claimed", linear, exposedJob(linear, 10*us, 0, 0), "exposure of 0s"},
		{"claimed without a strobe", linear, without(1, exposedJob(linear, 10*us, 0, 10*us)), "it was 0s"},
		{"by the chips themselves", linear, without(1, exposedJob(linear, 10*us, 0, 0)), ""},
		{"a wait before the load", linear, before(2, bus.WaitOp(us), exposedJob(linear, 10*us, 0, 10*us)),
			"it was 11"},
		{"a wait before the load, counted", linear, before(2, bus.WaitOp(us), exposedJob(linear, 10*us, 0, 11*us)), ""},
		{"deselected meanwhile", linear, before(2, Select(F|X0), exposedJob(linear, 10*us, 0, 10*us)), "it was 0s"},
		{"deselected meanwhile, not claimed", linear, before(2, Select(F|X0), exposedJob(linear, 10*us, 0, 0)), ""},
		{"shorter than its shutter can", linear, exposedJob(linear, us-1, 0, us-1), "its shutter can do 1"},
		{"as short as its shutter can", linear, exposedJob(linear, us, 0, us), ""},
		{"longer than its shutter can", linear, exposedJob(linear, 1001*us, 0, 1001*us), "its shutter can do 1"},
		{"as long as its shutter can", linear, exposedJob(linear, 1000*us, 0, 1000*us), ""},
		{"of logarithmic pixels", logarithmic, exposedJob(logarithmic, 10*us, 0, 10*us), "it was 0s"},
		{"of logarithmic pixels, not claimed", logarithmic, exposedJob(logarithmic, 10*us, 0, 0), ""},
	} {
		s := &stream{a: c.a, in: rules.NewInspector(c.a), load: map[int]bus.Time{}}
		s.segment(job("t", 0, 1, M0), 0, c.ops...)
		found := s.in.Take()
		switch {
		case c.says == "" && len(found) > 0:
			t.Errorf("%s: %v", c.name, found)
		case c.says != "" && (len(found) != 1 || found[0].Rule != rules.RuleClaim ||
			!strings.Contains(found[0].Message, c.says)):
			t.Errorf("%s: %v, want one that says %q", c.name, found, c.says)
		}
	}
}

// TestExposuresAreForgotten: the next load is none of the bus's, nor is one after a stop.
func TestExposuresAreForgotten(t *testing.T) {
	a := MustLinearArray()
	s := &stream{a: a, in: rules.NewInspector(a), load: map[int]bus.Time{}}
	s.segment(job("t", 0, 1, M0), 0, exposedJob(a, 10*time.Microsecond, 0, 10*time.Microsecond)...)
	own := exposedJob(a, 10*time.Microsecond, 0, 0)
	s.segment(job("t", 1, 1, M0), 0, append(own[:1:1], own[2:]...)...)
	// A stop in the middle, then a load under a word that was never deselected by another.
	s.in.BeginSegment(&bus.Segment{Job: job("t", 2, 1, M0), Program: &bus.Program{}}, s.now, s.now)
	s.op(Select(F | X0))
	s.op(own[1])
	s.in.GiveUp(nil, s.now)
	s.in.Released(s.now, s.now)
	s.in.JobEnded(job("t", 2, 1, M0), bus.Outcome{Kind: bus.Failed, Cause: "a stop"})
	s.segment(job("t", 3, 1, M0), 0, append(own[:1:1], own[2:]...)...)
	for _, v := range s.in.Take() {
		if v.Rule == rules.RuleClaim {
			t.Error(v)
		}
	}
}

// TestTablesWithExposuresAreJudgedAtTheirBounds: the claim moves with the exposure, or the table is not good.
func TestTablesWithExposuresAreJudgedAtTheirBounds(t *testing.T) {
	a := MustLinearArray()
	slots := []bus.Slot{{Name: "exposure", Low: 2000, High: 30_000, Default: 10_000}}
	judge := func(change func(ops []bus.Op)) []rules.Violation {
		ops := exposedJob(a, 10*time.Microsecond, 30*time.Microsecond, 10*time.Microsecond)
		ops[1].Slot, ops[4].Scan.Claim.ExposureSlot = 1, 1
		ops[4].Lasts = bus.WorstCost(a, &ops[4], slots)
		change(ops)
		h := 2 * bus.CostOf(a, ops).Total()
		j := &bus.Job{Task: "t", Deadline: bus.Time(h), Chips: []int{M0}, Segments: 1}
		return rules.Judge(a, rules.TimedTable{Hyperperiod: h, Entries: []rules.TimedEntry{{
			Segment: &bus.Segment{Job: j, Program: &bus.Program{Ops: ops, Slots: slots}}}}}, 2)
	}
	if found := judge(func([]bus.Op) {}); len(found) > 0 {
		t.Error(found)
	}
	for what, change := range map[string]func(ops []bus.Op){
		"a claim that stays":      func(ops []bus.Op) { ops[4].Scan.Claim.ExposureSlot = 0 },
		"an exposure that stays":  func(ops []bus.Op) { ops[1].Slot = 0 },
		"a strobe that is not it": func(ops []bus.Op) { ops[1].Target = []int{M1} },
	} {
		if found := judge(change); len(found) == 0 {
			t.Errorf("%s: nothing was found", what)
		}
	}
}
