package virtual

import (
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

const (
	stuckActive   = facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_ACTIVE
	stuckInactive = facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_INACTIVE
	swapped       = facetdv1.FaultKind_FAULT_KIND_LINES_SWAPPED
	openActive    = facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_ACTIVE
	openInactive  = facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_INACTIVE
	shorted       = facetdv1.FaultKind_FAULT_KIND_INPUT_SHORTED
	dead          = facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD
	laneOpen      = facetdv1.FaultKind_FAULT_KIND_LANE_OPEN
	laneSaturated = facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED
)

func faulty(t *testing.T, set ...*facetdv1.Fault) *Bus {
	t.Helper()
	b := testBus(t, free, 1)
	if err := b.SetFaults(set); err != nil {
		t.Fatal(err)
	}
	return b
}

// Which chips listen, by hand: m0 m1 m2 on f and x0 x1 x2, c0 t0 on g and x0 x1, s0
// h0 on h and x0 x1.
func TestFaultsChangeWhoListens(t *testing.T) {
	for _, c := range []struct {
		name   string
		faults []*facetdv1.Fault
		word   chipmodel.LineSet
		want   []int
	}{
		{"good", nil, F | X0, []int{M0}},
		{"a stuck active line", []*facetdv1.Fault{{Kind: stuckActive, Line: "x0"}}, F | G, []int{M0, C0}},
		{"a stuck active line and no word", []*facetdv1.Fault{{Kind: stuckActive, Line: "x0"}}, 0, nil},
		{"a stuck inactive line", []*facetdv1.Fault{{Kind: stuckInactive, Line: "f"}}, F | G | X0 | X1, []int{C0, T0}},
		{"two lines swapped", []*facetdv1.Fault{{Kind: swapped, Line: "f", OtherLine: "h"}}, F | X0, []int{S0}},
		{"swaps one after another", []*facetdv1.Fault{{Kind: swapped, Line: "f", OtherLine: "g"},
			{Kind: swapped, Line: "g", OtherLine: "h"}}, F | X0, []int{S0}},
		{"stuck beats swapped", []*facetdv1.Fault{{Kind: swapped, Line: "f", OtherLine: "g"},
			{Kind: stuckActive, Line: "f"}}, F | X0, []int{M0, C0}},
		{"an open input, active", []*facetdv1.Fault{{Kind: openActive, Chip: "m1", Input: 1}}, F, []int{M1}},
		{"an open input, inactive", []*facetdv1.Fault{{Kind: openInactive, Chip: "m1", Input: 1}}, F | X0 | X1,
			[]int{M0}},
		{"a shorted input follows both lines",
			[]*facetdv1.Fault{{Kind: shorted, Chip: "m1", Input: 1, OtherLine: "x2"}}, F | X2, []int{M1, M2}},
		{"a shorted input, its own line", []*facetdv1.Fault{{Kind: shorted, Chip: "m1", Input: 1, OtherLine: "x2"}},
			F | X1, []int{M1}},
		{"open and shorted follows the foreign line",
			[]*facetdv1.Fault{{Kind: shorted, Chip: "m1", Input: 1, OtherLine: "x2"},
				{Kind: openActive, Chip: "m1", Input: 1}}, F | X1, nil},
		{"both inputs open", []*facetdv1.Fault{{Kind: openActive, Chip: "m1"},
			{Kind: openActive, Chip: "m1", Input: 1}}, 0, []int{M1}},
		{"a dead chip listens on", []*facetdv1.Fault{{Kind: dead, Chip: "m0"}}, F | X0, []int{M0}},
	} {
		b := faulty(t, c.faults...)
		if got := b.reachOf(c.word); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v listen under %b, want %v", c.name, got, c.word, c.want)
		}
	}
}

// readLane enables under one word and reads the lane of a chip under another; the
// inspector, which knows nothing of the faults, must have nothing to say.
func readLane(t *testing.T, b *Bus, enable, word chipmodel.LineSet, chip int) bus.Capture {
	t.Helper()
	op := Scan(b.array, chip, 0, bus.Claim{})
	op.Scan.Levels = true
	all := F | G | H | X0 | X1 | X2
	res, err := Run(t.Context(), b, b.Now(), segment("read", uint64(b.Now()),
		Select(enable), Write(1, chipmodel.OutputEnable, 1, b.array.Reach(enable)...),
		Select(word), op,
		Select(all), Write(2, chipmodel.OutputEnable, 0, b.array.All()...), Select(0)))
	if err != nil {
		t.Fatal(err)
	}
	return res.Captures[0]
}

// idleCode is the code of a lane's idle level: 1/32 of the range.
func idleCode(b *Bus, lane int) int { return 1 << b.array.Lanes[lane].Bits / 32 }

func isIdle(b *Bus, cp bus.Capture) bool {
	lane := b.array.Chips[cp.Chip].Lane
	for _, code := range cp.Codes {
		if d := int(code) - idleCode(b, lane); d < -8 || d > 8 {
			return false
		}
	}
	return true
}

func TestFaultsChangeWhatALaneShows(t *testing.T) {
	full := func(b *Bus, cp bus.Capture) bool {
		return cp.High == len(cp.Codes) && cp.Codes[0] == b.lanes[0].highest
	}
	driven := func(b *Bus, cp bus.Capture) bool { return !isIdle(b, cp) && !full(b, cp) }
	for _, c := range []struct {
		name   string
		faults []*facetdv1.Fault
		shows  func(*Bus, bus.Capture) bool
	}{
		{"good", nil, driven},
		{"a dead chip", []*facetdv1.Fault{{Kind: dead, Chip: "s0"}}, isIdle},
		{"another chip dead", []*facetdv1.Fault{{Kind: dead, Chip: "m0"}}, driven},
		{"an open lane", []*facetdv1.Fault{{Kind: laneOpen, Lane: "a"}}, isIdle},
		{"the other lane open", []*facetdv1.Fault{{Kind: laneOpen, Lane: "b"}}, driven},
		{"a saturated lane", []*facetdv1.Fault{{Kind: laneSaturated, Lane: "a"}}, full},
		{"open and saturated", []*facetdv1.Fault{{Kind: laneOpen, Lane: "a"}, {Kind: laneSaturated, Lane: "a"}}, full},
		{"a line that is never active", []*facetdv1.Fault{{Kind: stuckInactive, Line: "h"}}, isIdle},
	} {
		b := faulty(t, c.faults...)
		if cp := readLane(t, b, H|X0, H|X0, S0); !c.shows(b, cp) {
			t.Errorf("%s: lane a shows %v", c.name, cp.Codes)
		}
		if cp := readLane(t, b, H|X0, H|X1, S0); (len(c.faults) == 0 ||
			c.faults[len(c.faults)-1].Kind != laneSaturated) && !isIdle(b, cp) {
			t.Errorf("%s: undriven, and lane a shows %v", c.name, cp.Codes)
		}
	}
}

// A frame of a chip shows what its lane shows: here another chip's signal, because
// lines are swapped.
func TestFramesShowTheLane(t *testing.T) {
	b := faulty(t, &facetdv1.Fault{Kind: swapped, Line: "g", OtherLine: "h"})
	res, err := Run(t.Context(), b, 0, segment("s0", 0, readOne(b.array, S0, H|X0)...))
	if err != nil {
		t.Fatal(err)
	}
	good := testBus(t, free, 1)
	counter, err := Run(t.Context(), good, 0, segment("c0", 0, readOne(good.array, C0, G|X0)...))
	if err != nil {
		t.Fatal(err)
	}
	// Row 0 and 1 of the counter chip, which has one column more, at other times.
	for i, code := range res.Captures[0].Codes[:8] {
		want := int(counter.Captures[0].Codes[i/4*5+i%4])
		if d := int(code) - want; d < -40 || d > 40 {
			t.Errorf("pixel %d is %d, the counter chip's is about %d", i, code, want)
		}
	}
}

// A short makes two chips of lane a drive together from the enabling write on; the
// inspector sees nothing wrong, the simulation does.
func TestRealContentionIsNoticed(t *testing.T) {
	b := faulty(t, &facetdv1.Fault{Kind: shorted, Chip: "m2", Input: 1, OtherLine: "x0"})
	readLane(t, b, F|X0, F, M0)
	total, last := b.Contentions()
	// Select 300, then the write of 1000 in contention; selecting all lines brings
	// both back until they are disabled 300 later.
	if total != 2 || len(last) != 2 || !slices.Equal(last[0].Chips, []int{M0, M2}) || last[0].Lane != 0 ||
		last[0].From != 300 || last[0].Until != 1300 || last[1].Until-last[1].From != 300 {
		t.Errorf("%d contentions: %+v", total, last)
	}
	if v := b.Inspector().Violations(); v != nil {
		t.Errorf("the inspector judges by the wiring, and says %v", v)
	}
	b.ClearFaults()
	readLane(t, b, F|X0, F, M0)
	if again, _ := b.Contentions(); again != total {
		t.Errorf("a fault-free array contends")
	}
	// Faults act at once.
	if err := b.SetFaults([]*facetdv1.Fault{{Kind: stuckActive, Line: "f"},
		{Kind: stuckActive, Line: "x0"}}); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(b.listening, []int{M0}) {
		t.Errorf("%v listen with two lines stuck active", b.listening)
	}
}

func TestContentionsAreBounded(t *testing.T) {
	b := faulty(t, &facetdv1.Fault{Kind: shorted, Chip: "m2", Input: 1, OtherLine: "x0"})
	const rounds = 100
	for range rounds {
		readLane(t, b, F|X0, F, M0)
	}
	total, last := b.Contentions()
	if total != 2*rounds || len(last) != keptContentions ||
		!slices.IsSortedFunc(last, func(x, y Contention) int { return int(x.From - y.From) }) {
		t.Errorf("%d contentions, %d kept", total, len(last))
	}
	for _, c := range last {
		if c.Until == 0 {
			t.Errorf("%+v has not ended", c)
		}
	}
}

func TestSetFaultsReportsEveryError(t *testing.T) {
	b := faulty(t, &facetdv1.Fault{Kind: dead, Chip: "m0"})
	err := b.SetFaults([]*facetdv1.Fault{
		{},
		{Kind: stuckActive, Line: "q"},
		{Kind: stuckActive, Line: "f"},
		{Kind: stuckInactive, Line: "f"},
		{Kind: swapped, Line: "f", OtherLine: "f"},
		{Kind: openActive, Chip: "m9"},
		{Kind: openActive, Chip: "m1", Input: 2},
		{Kind: openActive, Chip: "m1", Line: "x1"},
		{Kind: openActive, Chip: "m2"},
		{Kind: openInactive, Chip: "m2"},
		{Kind: shorted, Chip: "m1", OtherLine: "f"},
		{Kind: dead, Chip: "m1", Lane: "a"},
		{Kind: laneOpen, Lane: "c"},
		{Kind: laneSaturated, Lane: "a", Input: 1},
	})
	var m invalid.Errors
	if !errors.As(err, &m) {
		t.Fatal(err)
	}
	var paths []string
	for _, one := range m {
		paths = append(paths, strings.TrimPrefix(one.Path, "faults"))
		if one.Message == "" || one.Hint == "" {
			t.Errorf("%+v", one)
		}
	}
	want := []string{
		"[0].kind", "[1].line", "[3].kind", "[4].other_line", "[5].chip", "[6].input", "[7].line", "[9].kind",
		"[10].other_line", "[11].lane", "[12].lane", "[13].input",
	}
	if !slices.Equal(paths, want) {
		t.Errorf("errors at %v, want %v", paths, want)
	}
	if f := b.Faults(); len(f) != 1 || f[0].GetChip() != "m0" || !b.faults.Dead[M0] {
		t.Errorf("faults after an error: %v", f)
	}
}

// Whatever was wrong with the array, once the faults are cleared it is fault-free.
func TestFaultsLeaveNothingBehind(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	names := func(of []string) string { return of[r.IntN(len(of))] }
	for range 200 {
		b := testBus(t, free, 3)
		var set []*facetdv1.Fault
		for range 1 + r.IntN(4) {
			f := &facetdv1.Fault{Kind: facetdv1.FaultKind(1 + r.IntN(9))}
			switch f.Kind {
			case stuckActive, stuckInactive:
				f.Line = names(b.array.Lines)
			case swapped:
				f.Line, f.OtherLine = names(b.array.Lines), names(b.array.Lines)
			case openActive, openInactive, shorted, dead:
				f.Chip = b.array.Chips[r.IntN(len(b.array.Chips))].Name
				if f.Kind == shorted {
					f.OtherLine = names(b.array.Lines)
				}
			default:
				f.Lane = b.array.Lanes[r.IntN(2)].Name
			}
			set = append(set, f)
		}
		if b.SetFaults(set) != nil {
			continue // contradictory
		}
		readLane(t, b, H|X0, F|G|H|X0|X1|X2, T0)
		b.ClearFaults()
		before, _ := b.Contentions()
		if cp := readLane(t, b, H|X0, H|X0, S0); isIdle(b, cp) {
			t.Fatalf("seed %d: after %v the fault-free array shows %v", seed, set, cp.Codes)
		}
		if total, _ := b.Contentions(); total != before {
			t.Fatalf("seed %d: after %v the fault-free array contends", seed, set)
		}
	}
}
