package chipmodel

import (
	"math/rand/v2"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"google.golang.org/protobuf/types/known/durationpb"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

func dur(d time.Duration) *durationpb.Duration { return durationpb.New(d) }

// testArray has two lanes and, on each, one chip of a class of every sort of
// readout, with round times.
func testArray(t *testing.T, hold bool) *Array {
	t.Helper()
	lane := func(name string) *facetdv1.Lane {
		return &facetdv1.Lane{Name: name, LineCapacitancePf: 8, ChipCapacitancePf: proto.Float64(1),
			Converter: &facetdv1.Converter{
				Bits: 12, HighVolts: 2, Conversion: dur(1500), SampleAndHold: hold,
			}}
	}
	lattice := &facetdv1.Lattice{Rows: 16, Columns: 16, PitchXUm: 20}
	readout := &facetdv1.Readout{Step: dur(100), RowStep: dur(300), Settle: dur(2000)}
	msg := &facetdv1.Array{
		SelectLines: []string{"p", "q", "x", "y"},
		Lanes:       []*facetdv1.Lane{lane("a"), lane("b")},
		Timing: &facetdv1.BusTiming{DeadTime: dur(200), SelectSetup: dur(300), Write: dur(1000), Strobe: dur(500),
			ReleaseLimit: dur(20000)},
		Classes: []*facetdv1.ChipClass{
			{Name: "mem", Lattice: lattice, Readout: &facetdv1.Readout{Step: dur(100), RowStep: dur(300),
				OutputResistanceOhms: 10000},
				Memory: &facetdv1.AnalogMemory{LoadRow: dur(7000), CellCapacitanceFf: 100, SwitchResistanceOhms: 10e6}},
			{Name: "count", Lattice: lattice, Readout: readout, Counter: &facetdv1.Counter{Reset_: dur(2000)}},
		},
	}
	lens := &facetdv1.Lens{HorizontalFovDeg: 30, VerticalFovDeg: 30}
	for i, c := range []struct{ class, family string }{{"mem", "x"}, {"mem", "x"}, {"count", "y"}, {"count", "y"}} {
		msg.Chips = append(msg.Chips, &facetdv1.Chip{
			Name: string(rune('A' + i)), Class: c.class, Selects: []string{[]string{"p", "q"}[i%2], c.family},
			Lane: []string{"a", "b"}[i%2], Lens: lens,
		})
	}
	a, m := New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

// TestLaneSettle: 12 bits to half a step are 9.0109 time constants, the value of
// the settling table derived beside Analog Devices AN-1024, Table 1.
func TestLaneSettle(t *testing.T) {
	a := testArray(t, true)
	// 10 kohm x (8 + 2 x 1) pF = 100 ns.
	if got, want := a.LaneSettle(0), 902*time.Nanosecond; got != want {
		t.Errorf("computed settling %v, want %v", got, want)
	}
	if got, want := a.LaneSettle(2), 2*time.Microsecond; got != want {
		t.Errorf("measured settling %v, want %v", got, want)
	}
}

// naiveScan walks every step of a readout, one pixel after the other.
func naiveScan(a *Array, chip int, w Window) (samples []time.Duration, end time.Duration) {
	c := a.Chips[chip].Class
	lane := a.Lanes[a.Chips[chip].Lane]
	step, rowStep := c.Spec.GetReadout().GetStep().AsDuration(), c.Spec.GetReadout().GetRowStep().AsDuration()
	var now, converterFree time.Duration
	wanted := func(r, col int) bool {
		dr, dc := r-w.Row, col-w.Column
		return dr >= 0 && dc >= 0 && dr%w.RowStep == 0 && dc%w.ColumnStep == 0 && dr/w.RowStep < w.Rows &&
			dc/w.ColumnStep < w.Columns
	}
	lastRow := -1
	for r := range c.Rows {
		for col := range c.Columns {
			if len(samples) == w.Pixels() {
				break
			}
			if c.Counts() {
				now += step
				if col == 0 && r > 0 {
					now += rowStep
				}
			}
			if !wanted(r, col) {
				continue
			}
			if !c.Counts() {
				now += step
				if r != lastRow {
					now += rowStep
				}
				lastRow = r
			}
			at := max(now+a.LaneSettle(chip), converterFree)
			samples = append(samples, at)
			converterFree = at + lane.Conversion
			now = at
			if !lane.SampleAndHold {
				now = converterFree
			}
		}
	}
	return samples, converterFree
}

// TestScanTime holds the closed form against the walk, for random windows, both
// sorts of readout, and converters with and without sample and hold.
func TestScanTime(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	for _, hold := range []bool{true, false} {
		a := testArray(t, hold)
		for range 500 {
			chip := rng.IntN(4)
			w := Window{Row: rng.IntN(16), Column: rng.IntN(16), RowStep: 1 + rng.IntN(5), ColumnStep: 1 + rng.IntN(5)}
			w.Rows = 1 + rng.IntN((16-w.Row+w.RowStep-1)/w.RowStep)
			w.Columns = 1 + rng.IntN((16-w.Column+w.ColumnStep-1)/w.ColumnStep)
			got := a.ScanTime([]int{chip}, w, 0)
			samples, end := naiveScan(a, chip, w)
			for r := range w.Rows {
				for c := range w.Columns {
					if at := got.SampleAt(r, c); at != samples[r*w.Columns+c] {
						t.Fatalf("chip %d hold %v %+v: pixel (%d,%d) sampled at %v, the walk says %v", chip, hold, w, r,
							c, at, samples[r*w.Columns+c])
					}
				}
			}
			if got.Duration != end || got.Settle+got.Convert != end || got.Convert < a.Lanes[0].Conversion {
				t.Fatalf("chip %d hold %v %+v: lasts %v (settle %v, convert %v), the walk says %v", chip, hold, w,
					got.Duration, got.Settle, got.Convert, end)
			}
		}
	}
}

func TestOperationTimes(t *testing.T) {
	a := testArray(t, true)
	if got := a.SelectTime(); got != 500*time.Nanosecond {
		t.Errorf("select takes %v", got)
	}
	if got, want := a.LoadTime(a.Classes[0]), 500*time.Nanosecond+16*7*time.Microsecond; got != want {
		t.Errorf("load takes %v, want %v", got, want)
	}
	// Pairs: tau = RC/2 = 500 ns; ln(2^13 / 2) = 8.3178 of them.
	if got, want := a.ShareTime(a.Classes[0], 0x55, 0x55), 500*time.Nanosecond+4159*time.Nanosecond; got != want {
		t.Errorf("sharing pairs takes %v, want %v", got, want)
	}
	if pair, eight := a.ShareTime(a.Classes[0], 0x55, 0), a.ShareTime(a.Classes[0], 0x7f, 0); eight < 8*pair {
		t.Errorf("sharing eights takes %v, pairs %v: a chain settles with about the square of its length", eight, pair)
	}
	if got := a.ResetTime(a.Chips[2].Class); got != 2*time.Microsecond {
		t.Errorf("reset takes %v", got)
	}
}

func TestNewWindow(t *testing.T) {
	a := testArray(t, true)
	class := a.Classes[0]
	w, m := NewWindow(nil, class, 2, 4)
	if want := (Window{Rows: 8, Columns: 4, RowStep: 2, ColumnStep: 4}); len(m) > 0 || w != want {
		t.Errorf("default window of a 2 x 4 bin: %+v %v, want %+v", w, m, want)
	}
	for _, bad := range []*facetdv1.Window{{Row: 16}, {Column: 99}, {Rows: 17}, {Rows: 9, RowStep: 2},
		{Row: 8, Rows: 4294967295}, {ColumnStep: 4294967295, Columns: 2}} {
		if _, m := NewWindow(bad, class, 1, 1); len(m) != 1 || m[0].Hint == "" {
			t.Errorf("window %v: errors %v, want one with a hint", bad, m)
		}
	}
	if _, m := NewWindow(&facetdv1.Window{Row: 16, Column: 16}, class, 1, 1); len(m) != 2 {
		t.Errorf("two errors at once: %v", m)
	}
}

func TestReachIsMonotone(t *testing.T) {
	a := testArray(t, true)
	for word := range LineSet(16) {
		for more := range LineSet(16) {
			if !word.Within(more) {
				continue
			}
			wide := a.Reach(more)
			for _, c := range a.Reach(word) {
				if !contains(wide, c) {
					t.Fatalf("word %b reaches %d, more lines %b do not", word, c, more)
				}
			}
		}
	}
}

func contains(list []int, v int) bool {
	for _, x := range list {
		if x == v {
			return true
		}
	}
	return false
}
