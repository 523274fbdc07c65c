package diagnosis_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/daemon/probe/diagnosis"
)

func testPrograms(t *testing.T) (*chipmodel.Array, *diagnosis.Programs) {
	t.Helper()
	a := MustArray()
	m, err := diagnosis.NewModel(a)
	if err != nil {
		t.Fatal(err)
	}
	return a, diagnosis.NewPrograms(m, 2*time.Microsecond)
}

// The program of an experiment, operation by operation: lane a is paced by an
// addressed chip, and every readout waits for the slowest chip of the lane and for the
// lane to discharge.
func TestCompile(t *testing.T) {
	a, p := testPrograms(t)
	e := diagnosis.Experiment{Enable: F | X0, Readouts: []chipmodel.LineSet{F | X0, G | X1}}
	ops := p.Compile(e)
	if err := bus.CheckOps(a, ops); err != nil {
		t.Fatal(err)
	}
	var kinds []bus.OpKind
	var words []chipmodel.LineSet
	for _, op := range ops {
		kinds = append(kinds, op.Kind)
		switch {
		case op.Kind == bus.OpSelect:
			words = append(words, op.Word)
		case op.Scan != nil && (!op.Scan.Levels || a.Chips[op.Scan.Chips[0]].Class.Counts()):
			t.Errorf("%+v is not a readout of levels by an addressed chip", op.Scan)
		case op.Kind == bus.OpWait && op.Hold < 2*time.Microsecond+a.LaneSettle(M0):
			t.Errorf("a wait of %v", op.Hold)
		}
	}
	const sel, write, wait, scan = bus.OpSelect, bus.OpWrite, bus.OpWait, bus.OpScan
	want := []bus.OpKind{
		sel, wait, scan, wait, scan, // idle
		sel, write, wait, scan, wait, scan, // enabled, and the first readout under the same word
		sel, wait, scan, wait, scan, // the second readout
		sel, write, sel, // everything disabled, no line active
	}
	all := F | G | H | X0 | X1 | X2
	if !slices.Equal(kinds, want) || !slices.Equal(words, []chipmodel.LineSet{0, F | X0, G | X1, all, 0}) {
		t.Errorf("operations %v under words %b", kinds, words)
	}
	if enabling := ops[6]; enabling.Value != 1 || !slices.Equal(enabling.Target, []int{M0}) {
		t.Errorf("enables with %+v", enabling)
	}
	// After a risky write, outputs are disabled where the readouts reach, then anywhere.
	e.Risks = [][]diagnosis.Fault{{{Kind: diagnosis.Shorted, Chip: M2, Input: 1, Other: 3}}}
	var disabled []chipmodel.LineSet
	for i, op := range p.Compile(e) {
		if op.Kind == bus.OpWrite && op.Value == 0 {
			disabled = append(disabled, p.Compile(e)[i-1].Word)
		}
	}
	if !slices.Equal(disabled, []chipmodel.LineSet{F | X0, G | X1, all}) {
		t.Errorf("outputs are disabled under %b", disabled)
	}
}

// What may be enabled is disabled one by one before all lines are selected, memory
// chips load, counters are reset; the inspector finds nothing wrong with it even
// where two chips of a lane were left enabled.
func TestPrepare(t *testing.T) {
	a, p := testPrograms(t)
	enabling := []bus.Op{
		Select(F | X0), Write(1, chipmodel.OutputEnable, 1, M0),
		Select(F | X2), Write(2, chipmodel.OutputEnable, 1, M2), Select(0),
	}
	in := rules.NewInspector(a)
	at := int64(0)
	for n, ops := range [][]bus.Op{enabling, p.Prepare([]int{M0, M2})} {
		if err := bus.CheckOps(a, ops); err != nil {
			t.Fatal(err)
		}
		job := &bus.Job{Number: uint64(n), Release: bus.Time(at), Deadline: 1 << 40, Segments: 1}
		in.BeginSegment(&bus.Segment{Job: job}, bus.Time(at), bus.Time(at))
		for i := range ops {
			end := at + int64(bus.Cost(a, &ops[i]).Total())
			in.Op(&ops[i], bus.Time(at), bus.Time(end), nil)
			at = end
		}
		in.EndSegment(bus.Time(at))
		in.JobEnded(job, bus.Outcome{Kind: bus.OnTime})
	}
	if v := in.Violations(); v != nil {
		t.Error(v)
	}
	if p.Prepare(nil)[0].Word != F|G|H|X0|X1|X2 {
		t.Errorf("%+v", p.Prepare(nil)[0])
	}
}

// Chips with memory load and counters are reset where there are such, and nothing else is strobed; a lane without chips
// is passed over, wherever it stands.
func TestPrepareAndReadWhatThereIs(t *testing.T) {
	for name, classes := range map[string][]string{"memory": {"mem"}, "counter": {"count"}, "both": {"mem", "count"},
		"neither": {"hex"}} {
		msg := Message()
		msg.Chips = slices.DeleteFunc(msg.Chips, func(c *facetdv1.Chip) bool {
			return !slices.Contains(classes, c.GetClass())
		})
		msg.Classes = slices.DeleteFunc(msg.Classes, func(c *facetdv1.ChipClass) bool {
			return !slices.Contains(classes, c.GetName())
		})
		msg.Groups = nil
		spare := proto.CloneOf(msg.Lanes[0])
		spare.Name = "spare"
		msg.Lanes = slices.Insert(msg.Lanes, 0, spare)
		a, wrong := chipmodel.New(msg)
		if len(wrong) > 0 {
			t.Fatal(wrong)
		}
		m, err := diagnosis.NewModel(a)
		if err != nil {
			t.Fatal(err)
		}
		p := diagnosis.NewPrograms(m, time.Microsecond)
		var strobes []facetdv1.Strobe
		for _, op := range p.Prepare(nil) {
			if op.Kind == bus.OpStrobe {
				strobes = append(strobes, op.Strobe)
			}
		}
		var want []facetdv1.Strobe
		if slices.Contains(classes, "mem") {
			want = append(want, chipmodel.Load)
		}
		if slices.Contains(classes, "count") {
			want = append(want, chipmodel.Reset)
		}
		if !slices.Equal(strobes, want) {
			t.Errorf("%s: strobes %v, want %v", name, strobes, want)
		}
		lane := a.Chips[0].Lane
		e := diagnosis.Experiment{Readouts: []chipmodel.LineSet{0}}
		var caps []bus.Capture
		for n, code := range []uint16{100, 900} {
			for l := range a.Lanes {
				if len(a.Lanes[l].Chips) > 0 {
					caps = append(caps, bus.Capture{Frame: n*len(a.Lanes) + l, Codes: slices.Repeat([]uint16{code}, 8)})
				}
			}
		}
		readouts, idle, err := p.Read(e, caps)
		if err != nil || lane == 0 || readouts[0][lane] != diagnosis.Driven || idle[lane].Mean != 100 {
			t.Errorf("%s: lane %d shows %v, idle %v, %v", name, lane, readouts, idle, err)
		}
	}
}

// Lane a has 10 bits: the band around idle is 1 % of 1023 codes where the converter's
// noise and the spread are smaller; the noise of 0.1 mV in 2 V is 0.05 codes.
func TestRead(t *testing.T) {
	_, p := testPrograms(t)
	e := diagnosis.Experiment{Readouts: []chipmodel.LineSet{0}}
	steady := func(code uint16) []uint16 { return slices.Repeat([]uint16{code}, 12) }
	mixed := func(n int, code, other uint16) []uint16 {
		return slices.Concat(slices.Repeat([]uint16{other}, n), slices.Repeat([]uint16{code}, 12-n))
	}
	for _, c := range []struct {
		name          string
		idle, readout []uint16
		want          diagnosis.Level
	}{
		{"the same", steady(100), steady(100), diagnosis.Idle},
		{"at the edge of the band", steady(100), steady(110), diagnosis.Idle},
		{"just outside", steady(100), steady(111), diagnosis.Driven},
		{"below", steady(100), steady(89), diagnosis.Driven},
		{"one pixel outside", steady(100), mixed(1, 100, 500), diagnosis.Idle},
		{"two pixels outside", steady(100), mixed(2, 100, 500), diagnosis.Unclear},
		{"half of them", steady(100), mixed(6, 100, 500), diagnosis.Unclear},
		{"most of them", steady(100), mixed(7, 100, 500), diagnosis.Driven},
		{"a wide idle band", mixed(6, 100, 120), steady(139), diagnosis.Idle},
		{"at the edges of a wide idle band", mixed(6, 100, 120), mixed(6, 140, 80), diagnosis.Idle},
		{"outside a wide idle band", mixed(6, 100, 120), steady(141), diagnosis.Driven},
		{"full scale always", steady(1023), steady(1023), diagnosis.Saturated},
		{"a bright picture", steady(100), steady(1023), diagnosis.Driven},
		{"idle at full scale, pulled down", steady(1023), steady(400), diagnosis.Driven},
	} {
		var caps []bus.Capture
		for frame, codes := range [][]uint16{c.idle, steady(7), c.readout, steady(7)} {
			caps = append(caps, bus.Capture{Frame: frame, Codes: codes})
		}
		readouts, idle, err := p.Read(e, caps)
		if err != nil || len(readouts) != 1 || readouts[0][0] != c.want || readouts[0][1] != diagnosis.Idle {
			t.Errorf("%s: %v, %v; want %v", c.name, readouts, err, c.want)
		}
		if mean := idle[0].Mean; mean < 99 || idle[1].Mean != 7 {
			t.Errorf("%s: idle at %v", c.name, idle)
		}
		if _, _, err := p.Read(e, caps[:3]); err == nil {
			t.Errorf("%s: a capture is missing, and nobody minds", c.name)
		}
	}
}

// An unclear lane tells nothing.
func TestUnclearLanesAreLeftOut(t *testing.T) {
	a := MustArray()
	p, err := diagnosis.New(a, diagnosis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s := p.Start()
	before := s.Remaining()
	e := diagnosis.Experiment{Enable: F | X0, Readouts: []chipmodel.LineSet{F | X0}}
	if s := p.Update(s, e, []diagnosis.Observation{{diagnosis.Unclear, diagnosis.Unclear}}); s.Remaining() != before {
		t.Errorf("%d of %d hypotheses are left", s.Remaining(), before)
	}
	// Lane a alone: m0 drives it, so it is neither open nor saturated, and m0 lives.
	s = p.Update(s, e, []diagnosis.Observation{{diagnosis.Driven, diagnosis.Unclear}})
	left := p.Consistent(s)
	for _, gone := range []diagnosis.Fault{{Kind: diagnosis.LaneOpen}, {Kind: diagnosis.LaneSaturated},
		{Kind: diagnosis.Dead, Chip: M0}} {
		if has(left, []diagnosis.Fault{gone}) {
			t.Errorf("%v is still there", gone)
		}
	}
	for _, stays := range []diagnosis.Fault{{Kind: diagnosis.LaneOpen, Lane: 1},
		{Kind: diagnosis.LaneSaturated, Lane: 1}, {Kind: diagnosis.Dead, Chip: M1}} {
		if !has(left, []diagnosis.Fault{stays}) {
			t.Errorf("%v is excluded", stays)
		}
	}
}

// Lanes that stay unclear end the probe, and the report says why.
func TestUnclearLanesEndTheProbe(t *testing.T) {
	p, err := diagnosis.New(MustArray(), diagnosis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, n := p.Start(), 0
	for e, done := p.Next(s); !done; e, done = p.Next(s) {
		s = p.Update(s, e, slices.Repeat([]diagnosis.Observation{{diagnosis.Unclear, diagnosis.Unclear}},
			len(e.Readouts)))
		n++
	}
	res := p.Explain(s)
	if n == 0 || n > 20 || res.Unclear < n ||
		!strings.Contains(res.Report(), "neither clearly idle nor clearly driven") {
		t.Errorf("%d experiments: %s", n, res.Report())
	}
}

func TestNewModelRefuses(t *testing.T) {
	m := Message()
	m.Classes, m.Lanes, m.Timing, m.Groups = nil, nil, nil, nil
	for _, c := range m.Chips {
		c.Class, c.Lane, c.Mount, c.Lens = "", "", nil, nil
	}
	a, errs := chipmodel.New(m)
	if len(errs) > 0 || !a.WiringOnly {
		t.Fatalf("not an array of wiring alone: %v", errs)
	}
	if _, err := diagnosis.New(a, diagnosis.Options{}); err == nil {
		t.Error("an array without lanes was taken")
	}
}
