package bus_test

import (
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// whole is a readout of a window of one chip.
func whole(chip int) *bus.Scan {
	return &bus.Scan{Chips: []int{chip}, Frames: []int{0},
		Window: chipmodel.Window{Row: 1, Rows: 2, Column: 1, Columns: 2, RowStep: 1, ColumnStep: 2}}
}

func onGrain(t *testing.T, grain time.Duration) *chipmodel.Array {
	t.Helper()
	a, err := MustArray().OnGrain(grain)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestOperationsThatNoBusRuns: every limit from both sides.
func TestOperationsThatNoBusRuns(t *testing.T) {
	plain, coarse := MustArray(), onGrain(t, 100)
	classless := *plain
	classless.Chips = append([]chipmodel.Chip(nil), plain.Chips...)
	classless.Chips[T0].Class = nil
	scan := func(change func(*bus.Scan)) bus.Op {
		s := whole(H0)
		change(s)
		return bus.Op{Kind: bus.OpScan, Scan: s}
	}
	window := func(change func(*chipmodel.Window)) bus.Op { return scan(func(s *bus.Scan) { change(&s.Window) }) }
	lines := chipmodel.LineSet(1) << uint(len(plain.Lines))
	for _, c := range []struct {
		name string
		says string // "" where it is possible
		a    *chipmodel.Array
		op   bus.Op
	}{
		{"no kind", "no operation of kind 0", plain, bus.Op{}},
		{"the last kind", "no operation of kind 7", plain, bus.Op{Kind: bus.OpClockOut + 1}},
		{"every line", "", plain, bus.SelectOp(lines - 1)},
		{"a line too many", "beyond the array's 6", plain, bus.SelectOp(lines)},
		{"an hour", "", plain, bus.Op{Kind: bus.OpSelect, Lasts: time.Hour}},
		{"more than an hour", "cannot last", plain, bus.Op{Kind: bus.OpSelect, Lasts: time.Hour + 1}},
		{"less than nothing", "cannot last", plain, bus.Op{Kind: bus.OpSelect, Lasts: -1}},
		{"a time off the grid", "grain of 100ns", coarse, bus.Op{Kind: bus.OpSelect, Lasts: 150}},
		{"a time on the grid", "", coarse, bus.Op{Kind: bus.OpSelect, Lasts: 200}},

		{"register 0", "no register 0", plain, Write(1, 0, 0, H0)},
		{"the first register", "", plain, Write(1, 1, 0, H0)},
		{"the last register", "", plain, Write(1, facetdv1.Register(chipmodel.NumRegisters-1), 0, H0)},
		{"a register too many", "no register", plain, Write(1, facetdv1.Register(chipmodel.NumRegisters), 0, H0)},
		{"no target", "", plain, Write(1, 1, 0)},
		{"the first and the last chip", "", plain, Write(1, 1, 0, M0, H0)},
		{"a chip before the first", "no chip -1", plain, Write(1, 1, 0, -1)},
		{"a chip after the last", "no chip 7", plain, Write(1, 1, 0, M0, H0+1)},
		{"a target out of order", "ascending", plain, Write(1, 1, 0, H0, M0)},
		{"a chip twice", "ascending", plain, Write(1, 1, 0, M0, M0)},
		{"a target without a class", "t0 has no class", &classless, Write(1, 1, 0, T0)},

		{"no strobe", "no strobe 0", plain, Strobe(1, 0, 0, H0)},
		{"the last strobe", "", plain, Strobe(1, chipmodel.Advance, 0, C0)},
		{"a strobe too many", "no strobe", plain, Strobe(1, chipmodel.Expose+1, 0, H0)},
		{"a share of an hour", "", plain, Strobe(1, chipmodel.Share, time.Hour, M0)},
		{"a share of more", "share cannot last", plain, Strobe(1, chipmodel.Share, time.Hour+1, M0)},
		{"a share of less than nothing", "share cannot last", plain, Strobe(1, chipmodel.Share, -1, M0)},
		{"a share off the grid", "a share of 150ns", coarse, Strobe(1, chipmodel.Share, 150, M0)},
		{"a strobe to no chip", "no chip 9", plain, Strobe(1, chipmodel.Load, 0, 9)},

		{"a wait of nothing", "", plain, bus.WaitOp(0)},
		{"a wait of an hour", "", plain, bus.WaitOp(time.Hour)},
		{"a wait of more", "a wait of", plain, bus.WaitOp(time.Hour + 1)},
		{"a wait of less than nothing", "a wait of", plain, bus.WaitOp(-1)},
		{"a wait off the grid", "a wait of 150ns", coarse, bus.WaitOp(150)},
		{"a wait in the last phase", "", plain, bus.Op{Kind: bus.OpWait, Phase: facetdv1.Phase_PHASE_CONVERT}},
		{"a wait in no phase", "in phase", plain, bus.Op{Kind: bus.OpWait, Phase: facetdv1.Phase_PHASE_CONVERT + 1}},
		{"a wait before the phases", "in phase -1", plain, bus.Op{Kind: bus.OpWait, Phase: -1}},

		{"a readout", "", plain, scan(func(*bus.Scan) {})},
		{"no readout", "reads no chip", plain, bus.Op{Kind: bus.OpScan}},
		{"clocked out of nothing", "reads no chip", plain, bus.Op{Kind: bus.OpClockOut, Scan: &bus.Scan{}}},
		{"the first chip read", "", plain, scan(func(s *bus.Scan) { s.Chips[0] = M0 })},
		{"a chip read before the first", "no chip -1 to read", plain, scan(func(s *bus.Scan) { s.Chips[0] = -1 })},
		{"a chip read after the last", "no chip 7 to read", plain, scan(func(s *bus.Scan) { s.Chips[0] = 7 })},
		{"a chip read without a class", "no chip 4 to read", &classless, scan(func(s *bus.Scan) { s.Chips[0] = T0 })},
		{"a chip without a frame", "0 frames for 1 chips", plain, scan(func(s *bus.Scan) { s.Frames = nil })},
		{"the last frame", "", plain, scan(func(s *bus.Scan) { s.Frames[0] = bus.MaxFrames - 1 })},
		{"a frame too many", "out of range", plain, scan(func(s *bus.Scan) { s.Frames[0] = bus.MaxFrames })},
		{"a frame before the first", "out of range", plain, scan(func(s *bus.Scan) { s.Frames[0] = -1 })},
		{"a row before the first", "out of range", plain, scan(func(s *bus.Scan) { s.FirstRow = -1 })},
		{"settling for the longest", "", plain, scan(func(s *bus.Scan) { s.Settle = bus.MaxSettle })},
		{"settling for longer", "a settling time", plain, scan(func(s *bus.Scan) { s.Settle = bus.MaxSettle + 1 })},
		{"settling for less than nothing", "a settling time", plain, scan(func(s *bus.Scan) { s.Settle = -1 })},
		{"settling off the grid", "a settling time of 150ns", coarse, scan(func(s *bus.Scan) { s.Settle = 150 })},
		{"settling on the grid", "", coarse, scan(func(s *bus.Scan) { s.Settle = 200 })},
		{"a chip beside", "", plain, scan(func(s *bus.Scan) { s.Beside = []int{M0} })},
		{"no such chip beside", "no chip 7", plain, scan(func(s *bus.Scan) { s.Beside = []int{7} })},

		// The lattice has 4 rows and columns.
		{"all rows", "", plain, window(func(w *chipmodel.Window) { w.Row, w.Rows = 0, 4 })},
		{"rows beyond the last", "leaves the lattice of chip h0", plain,
			window(func(w *chipmodel.Window) { w.Rows = 4 })},
		{"the last row", "", plain, window(func(w *chipmodel.Window) { w.Row, w.Rows = 3, 1 })},
		{"a row after it", "leaves the lattice", plain, window(func(w *chipmodel.Window) { w.Row, w.Rows = 4, 1 })},
		{"a row before all", "leaves the lattice", plain, window(func(w *chipmodel.Window) { w.Row = -1 })},
		{"no rows", "leaves the lattice", plain, window(func(w *chipmodel.Window) { w.Rows = 0 })},
		{"no step", "leaves the lattice", plain, window(func(w *chipmodel.Window) { w.RowStep = 0 })},
		{"a step to the last row", "", plain, window(func(w *chipmodel.Window) { w.RowStep = 2 })},
		{"a step beyond it", "leaves the lattice", plain, window(func(w *chipmodel.Window) { w.RowStep = 3 })},
		{"a step beyond the last column", "leaves the lattice", plain,
			window(func(w *chipmodel.Window) { w.ColumnStep = 3 })},
	} {
		err := bus.CheckOps(c.a, []bus.Op{bus.SelectOp(0), c.op})
		switch {
		case c.says == "" && err != nil, c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)):
			t.Errorf("%s: %v, want %q", c.name, err, c.says)
		case err != nil && !strings.HasPrefix(err.Error(), "operation 1: "):
			t.Errorf("%s: %v does not say which operation", c.name, err)
		}
	}
}

// TestCosts: each operation counts in its own phase, with the time of the slowest of its chips, and what lasts longer
// than it needs settles meanwhile.
func TestCosts(t *testing.T) {
	a := MustArray()
	read := bus.ReadOp(a, *whole(H0))
	timing := read.Scan.Timing(a)
	for _, c := range []struct {
		name string
		op   bus.Op
		want map[facetdv1.Phase]time.Duration
	}{
		{"a word", bus.SelectOp(F), map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_SELECT: 300}},
		{"no word", bus.SelectOp(0), map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_SELECT: 100}},
		{"a write", Write(1, 1, 0, H0), map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_WRITE: 1000}},
		{"a load", Strobe(1, chipmodel.Load, 0, M0, S0),
			map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_LOAD: 8500}},
		{"a load of none with memory", Strobe(1, chipmodel.Load, 0, S0),
			map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_LOAD: 500}},
		{"a share", Strobe(1, chipmodel.Share, 70, M0),
			map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_SHARE: 570}},
		{"a reset", Strobe(1, chipmodel.Reset, 0, M0, C0),
			map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_SETTLE: 2000}},
		{"an advance", Strobe(1, chipmodel.Advance, 0, C0),
			map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_SETTLE: 500}},
		{"a wait", bus.WaitOp(33), map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_SETTLE: 33}},
		{"a wait that counts elsewhere", bus.Op{Kind: bus.OpWait, Hold: 33, Phase: facetdv1.Phase_PHASE_LOAD},
			map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_LOAD: 33}},
		{"a readout", read, map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_SETTLE: timing.Settle,
			facetdv1.Phase_PHASE_CONVERT: timing.Convert}},
		{"one that lasts a nanosecond longer", bus.Op{Kind: bus.OpWrite, Lasts: 1001},
			map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_WRITE: 1000, facetdv1.Phase_PHASE_SETTLE: 1}},
		{"one that is said to last less", bus.Op{Kind: bus.OpWrite, Lasts: 1},
			map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_WRITE: 1000}},
		{"nothing that lasts", bus.Op{Kind: bus.OpWait, Lasts: 1},
			map[facetdv1.Phase]time.Duration{facetdv1.Phase_PHASE_SETTLE: 1}},
	} {
		var want bus.Phases
		for phase, d := range c.want {
			want[phase] = d
		}
		if got := bus.Cost(a, &c.op); got != want {
			t.Errorf("%s: %v, want %v", c.name, got, want)
		}
	}
	if timing.Settle <= 0 || timing.Convert <= 0 {
		t.Errorf("the readout takes no time: %+v", timing)
	}
	slow := *a
	slow.Timing.Strobe = 5 * time.Microsecond
	if got := bus.Cost(&slow, &bus.Op{Kind: bus.OpStrobe, Strobe: chipmodel.Reset,
		Target: []int{M0}}).Total(); got != 5000 {
		t.Errorf("a reset of a chip that has no counter takes %v, want the pulse", got)
	}
}

// TestBuilder: what is written, what is left out, what it costs, and the way back.
func TestBuilder(t *testing.T) {
	a := onGrain(t, 100)
	b := bus.NewBuilder(a)
	start := b.Mark()
	if !start.Empty() || b.Word() != 0 || b.Len() != 0 || b.Spent() != 0 || b.Array() != a {
		t.Error("a new builder is not empty")
	}
	b.Activate(0) // no word has been selected yet: what is active is unknown
	b.Activate(F)
	b.Activate(F)
	if b.Word() != F || b.Len() != 2 || b.Mark().Empty() {
		t.Errorf("word %#x after %d operations", b.Word(), b.Len())
	}
	b.Wait(0)
	b.Wait(-5)
	if b.Len() != 2 {
		t.Error("a wait of no time was written")
	}
	b.Wait(1)
	point := b.Mark()
	b.Do(bus.Share(150), []int{M0})
	b.Select(G)
	b.Back(point)
	if b.Word() != F || b.Len() != 3 {
		t.Errorf("back at word %#x with %d operations", b.Word(), b.Len())
	}
	command := b.Command()
	b.Part(command, bus.Write(1, 7), []int{M0, M1})
	b.Part(command, bus.Strobe(chipmodel.Load), []int{M0, M1})
	b.Do(bus.Share(150), []int{M0})
	s := *whole(M0)
	s.Settle = 150
	b.Read(s)
	spent := b.Spent()
	ops := b.Take()
	want := []bus.Op{
		{Kind: bus.OpSelect}, {Kind: bus.OpSelect, Word: F},
		{Kind: bus.OpWait, Hold: 100, Phase: facetdv1.Phase_PHASE_SETTLE},
		{Kind: bus.OpWrite, Register: 1, Value: 7, Command: 1, Target: []int{M0, M1}},
		{Kind: bus.OpStrobe, Strobe: chipmodel.Load, Command: 1, Target: []int{M0, M1}},
		{Kind: bus.OpStrobe, Strobe: chipmodel.Share, Hold: 200, Command: 2, Target: []int{M0}},
		{Kind: bus.OpScan},
	}
	s.Settle = 200
	want[6].Scan = &s
	if !reflect.DeepEqual(ops, want) {
		t.Errorf("written:\n%+v\nwant:\n%+v", ops, want)
	}
	if got := bus.CostOf(a, ops).Total(); got != spent || spent <= 0 {
		t.Errorf("it is said to cost %v, and costs %v", spent, got)
	}
	if err := bus.CheckOps(a, ops); err != nil {
		t.Error(err)
	}
	if b.Len() != 0 || b.Spent() != 0 || b.Word() != 0 || !b.Mark().Empty() {
		t.Error("something is left after the segment was taken")
	}
	b.Do(bus.Strobe(chipmodel.Reset), []int{C0})
	if op := b.Take()[0]; op.Command != 1 {
		t.Errorf("the next segment begins with command %d", op.Command)
	}
	if op := bus.ReadOp(a, *whole(C0)); op.Kind != bus.OpClockOut {
		t.Errorf("a chip with a counter is read by a %s", op.Kind)
	}
}

// TestWhereSlotsAreUsed: in a write, as either edge of a window, in a claim, and by their numbers, which count from 1.
func TestWhereSlotsAreUsed(t *testing.T) {
	a := MustArray()
	slots := []bus.Slot{{Name: "a", Low: 0, High: 2, Default: 1}, {Name: "b", Low: 1, High: 2, Default: 1}}
	scan := func(change func(*bus.Scan)) *bus.Op {
		s := whole(H0)
		s.Window = chipmodel.Window{Row: 1, Rows: 2, Column: 1, Columns: 2, RowStep: 1, ColumnStep: 1}
		s.Claim.Registers = []bus.RegisterValue{{Register: chipmodel.Offset, Value: 1},
			{Register: chipmodel.Gain, Value: 1}}
		change(s)
		op := bus.ReadOp(a, *s)
		if op.UsesSlots() {
			op.Lasts = bus.WorstCost(a, &op, slots)
		}
		return &op
	}
	plain := scan(func(*bus.Scan) {})
	if plain.UsesSlots() {
		t.Error("a readout without slots uses one")
	}
	if least, greatest := bus.Extremes(plain.Scan, slots); least != plain.Scan || greatest != plain.Scan {
		t.Error("a readout without slots has extremes")
	}
	write := bus.SlotAction(chipmodel.Offset, 1, slots).Op(1, []int{T0})
	write.Lasts = bus.WorstCost(a, &write, slots)
	for name, c := range map[string]struct {
		op              *bus.Op
		value           uint16
		row, column     int
		claim           [2]uint16
		least, greatest [2]int // rows and columns; 0 where they are not looked at
	}{
		"a write": {op: &write, value: 0},
		"a row":   {scan(func(s *bus.Scan) { s.RowSlot = 1 }), 0, 0, 1, [2]uint16{1, 1}, [2]int{0, 1}, [2]int{2, 1}},
		"a column": {scan(func(s *bus.Scan) { s.ColumnSlot = 2 }), 0, 1, 2, [2]uint16{1, 1}, [2]int{1, 1},
			[2]int{1, 2}},
		"column first": {scan(func(s *bus.Scan) { s.ColumnSlot = 1 }), 0, 1, 0, [2]uint16{1, 1}, [2]int{1, 0},
			[2]int{1, 2}},
		"row second": {scan(func(s *bus.Scan) { s.RowSlot = 2 }), 0, 2, 1, [2]uint16{1, 1}, [2]int{1, 1},
			[2]int{2, 1}},
		"both": {scan(func(s *bus.Scan) { s.RowSlot, s.ColumnSlot = 1, 1 }), 0, 0, 0, [2]uint16{1, 1},
			[2]int{0, 0}, [2]int{2, 2}},
		"a claim": {scan(func(s *bus.Scan) { s.Claim.Slots = []int{0, 1} }), 0, 1, 1, [2]uint16{1, 0}, [2]int{},
			[2]int{}},
	} {
		if !c.op.UsesSlots() {
			t.Errorf("%s does not count as a use", name)
		}
		if err := bus.CheckSlots(a, []bus.Op{*c.op}, slots); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		got := bus.Fill(nil, []bus.Op{*c.op}, slots, []int{0, 2})[0]
		if c.op.Scan == nil {
			if got.Value != c.value || c.op.Value != 1 {
				t.Errorf("%s: value %d, before %d", name, got.Value, c.op.Value)
			}
			continue
		}
		claim := got.Scan.Claim.Registers
		if w := got.Scan.Window; w.Row != c.row || w.Column != c.column || claim[0].Value != c.claim[0] ||
			claim[1].Value != c.claim[1] {
			t.Errorf("%s: window %+v, claim %v", name, w, claim)
		}
		if c.least == c.greatest {
			continue
		}
		least, greatest := bus.Extremes(c.op.Scan, slots)
		if least.Window.Row != c.least[0] || least.Window.Column != c.least[1] ||
			greatest.Window.Row != c.greatest[0] ||
			greatest.Window.Column != c.greatest[1] {
			t.Errorf("%s: from %+v to %+v", name, least.Window, greatest.Window)
		}
	}
	for name, c := range map[string]struct {
		op   bus.Op
		says string
	}{
		"no such row":       {*scan(func(*bus.Scan) {}), "no slot 3"},
		"no such column":    {*scan(func(*bus.Scan) {}), "no slot 3"},
		"a negative number": {bus.Op{Kind: bus.OpWrite, Register: chipmodel.Offset, Slot: -1}, "no slot -1"},
		"a word":            {bus.Op{Kind: bus.OpSelect, Slot: 1}, "takes no value"},
		"a row pattern":     {bus.Op{Kind: bus.OpWrite, Register: chipmodel.RowPattern, Slot: 1}, "cannot be given"},
	} {
		switch name {
		case "no such row":
			c.op.Scan.RowSlot = 3
		case "no such column":
			c.op.Scan.ColumnSlot = 3
		}
		if err := bus.CheckSlots(a, []bus.Op{c.op}, slots); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", name, err, c.says)
		}
	}
	minute := time.Minute // no constant: an int of 32 bits does not hold it
	for _, c := range []struct {
		slot bus.Slot
		good bool
	}{
		{bus.Slot{Low: -128, High: 255}, true}, {bus.Slot{Low: -129}, false},
		{bus.Slot{High: int(minute)}, time.Duration(int(minute)) == minute},
		{bus.Slot{High: int(minute) + 1}, false}, {bus.Slot{Low: -129, High: int(minute) + 1}, false},
		{bus.Slot{Low: 4, High: 8, Default: 6, Step: 2}, true}, {bus.Slot{Low: 4, High: 8, Default: 6, Step: 4}, false},
		{bus.Slot{Low: 5, High: 5, Default: 5}, true},
	} {
		if err := bus.CheckSlots(a, nil, []bus.Slot{c.slot}); (err == nil) != c.good {
			t.Errorf("%+v: %v", c.slot, err)
		}
	}
	// Only the least value leaves the lattice, by the same number of rows as there are beyond the default.
	before := []bus.Slot{{Name: "row", Low: -1, High: 1, Default: 1}}
	for column, read := range map[bool]bus.Op{
		false: *scan(func(s *bus.Scan) { s.RowSlot, s.Window.Rows = 1, 1 }),
		true:  *scan(func(s *bus.Scan) { s.ColumnSlot, s.Window.Columns = 1, 1 }),
	} {
		if err := bus.CheckSlots(a, []bus.Op{read}, before); err == nil ||
			!strings.Contains(err.Error(), "leaves the lattice") {
			t.Errorf("before the first, column %v: %v", column, err)
		}
	}
	wide := []bus.Slot{{Name: "wide", High: 255}}
	full := bus.SlotAction(chipmodel.Offset, 1, wide).Op(1, []int{T0})
	full.Lasts = bus.WorstCost(a, &full, wide)
	if err := bus.CheckSlots(a, []bus.Op{full}, wide); err != nil {
		t.Errorf("all values of a register: %v", err)
	}
}

// TestWhereCodesGo: into the room that the segment has, where there is enough, and never beyond it.
func TestWhereCodesGo(t *testing.T) {
	frame := make([]uint16, 12)
	s := bus.Segment{Into: [][]uint16{nil, frame}}
	w := chipmodel.Window{Rows: 2, Columns: 3}
	if got := s.Room(1, 2, w); len(got) != 6 || cap(got) != 6 || &got[0] != &frame[6] {
		t.Errorf("the last rows go elsewhere: %d codes, room for %d", len(got), cap(got))
	}
	for name, got := range map[string][]uint16{"beyond its rows": s.Room(1, 3, w), "without room": s.Room(0, 0, w),
		"a frame that it does not know": s.Room(2, 0, w)} {
		if len(got) != 6 || &got[0] == &frame[6] {
			t.Errorf("%s: %d codes", name, len(got))
		}
	}
}

// TestTimesOfACapture: rows and the last sample by the intervals; TestRefused: what counts as refused.
func TestTimesOfACapture(t *testing.T) {
	c := bus.Capture{Window: chipmodel.Window{Rows: 3, Columns: 4}, FirstSample: 1000, RowInterval: 100,
		PixelInterval: 7}
	if c.RowStart(0) != 1000 || c.RowStart(2) != 1200 || c.LastSample() != 1221 {
		t.Errorf("rows start at %d and %d, the last sample is at %d", c.RowStart(0), c.RowStart(2), c.LastSample())
	}
}

func TestRefused(t *testing.T) {
	for _, c := range []struct {
		err  error
		want bool
	}{{nil, false}, {errors.New("it broke off"), false}, {&bus.RefusedError{}, true},
		{errors.Join(errors.New("late"), &bus.RefusedError{}), true}, {&bus.LostError{}, false}} {
		if r := (bus.Result{Err: c.err}); r.Refused() != c.want {
			t.Errorf("%v: refused %v", c.err, r.Refused())
		}
	}
}
