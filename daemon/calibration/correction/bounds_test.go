package correction

import (
	"errors"
	"strings"
	"testing"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
)

// TestShapesThatAre: one pixel, and as many as a lattice may have on a side.
func TestShapesThatAre(t *testing.T) {
	const most = chipmodel.MaxLatticeSide
	for s, good := range map[Shape]bool{
		{Rows: 1, Columns: 1}: true, {Rows: most, Columns: most}: true, {Rows: 0, Columns: 1}: false,
		{Rows: 1, Columns: 0}: false, {Rows: most + 1, Columns: 1}: false, {Rows: 1, Columns: most + 1}: false,
		{Rows: 1, Columns: 1, Lattice: HexagonalOdd}: true, {Rows: 1, Columns: 1, Lattice: HexagonalOdd + 1}: false,
	} {
		if err := s.check(); (err == nil) != good {
			t.Errorf("%+v: %v", s, err)
		}
	}
}

func TestNamesOfKinds(t *testing.T) {
	for k, want := range map[Kind]string{
		Clipped: "clipped", Clipped | DefectiveColumn: "clipped, defective column", 1: "dead",
		0: "kinds(0x0)", allKinds + 1 | 1: "dead, kinds(0x800)",
	} {
		if got := k.String(); got != want {
			t.Errorf("%#x: %q, want %q", uint16(k), got, want)
		}
	}
}

// TestFewFrames: two frames show a noise, one does not; the fixed pattern is told in codes and in volts.
func TestFewFrames(t *testing.T) {
	shape, scale := Shape{Rows: 4, Columns: 4}, Scale{VoltsPerCode: 2e-3, HighestCode: 1023}
	code := func(i int) float64 { return float64(500 + 2*(i%2)) }
	m, err := Fit(Offset, []Level{{10, simulated(t, shape, scale, 16, func(i int) float64 { return 500 })}},
		Options{Kelvin: 300})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Measure([]Level{{10, simulated(t, shape, scale, 1, code)}}); err == nil {
		t.Error("one frame was measured")
	}
	m.Levels, err = m.Measure([]Level{{10, simulated(t, shape, scale, 2, code)}})
	if err != nil {
		t.Fatal(err)
	}
	l := m.Levels[0]
	if l.AfterCodes < 0.9 || l.AfterCodes > 1.1 || m.AfterVolts(0) != l.AfterCodes*2e-3 ||
		m.BeforeVolts(0) != l.BeforeCodes*2e-3 {
		t.Errorf("%+v: %g V before, %g V after", l, m.BeforeVolts(0), m.AfterVolts(0))
	}
	if filled, unfilled, err := m.Fill(make([]uint16, 15)); filled != 0 || unfilled != 0 || err == nil ||
		!strings.Contains(err.Error(), "15 codes") {
		t.Errorf("too few codes: %d, %d, %v", filled, unfilled, err)
	}
}

// TestMergingUpToTheMost: as many frames as an accumulator takes, and none more.
func TestMergingUpToTheMost(t *testing.T) {
	shape, scale := Shape{Rows: 1, Columns: 1}, Scale{VoltsPerCode: 1, HighestCode: 9}
	of := func(frames int) *Accumulator {
		a, err := NewAccumulator(shape, scale)
		if err != nil {
			t.Fatal(err)
		}
		a.frames = frames
		return a
	}
	a := of(MaxFrames - 3)
	if err := a.Merge(of(4)); err == nil || a.Frames() != MaxFrames-3 {
		t.Errorf("one frame too many: %v, %d frames", err, a.Frames())
	}
	if err := a.Merge(of(3)); err != nil || a.Frames() != MaxFrames {
		t.Errorf("as many as may be: %v, %d frames", err, a.Frames())
	}
}

// TestLevelsOfFewFrames: a level of two frames is taken, by a fit and by an update; one of a single frame, of none, or
// of another shape than the map's is refused by its name.
func TestLevelsOfFewFrames(t *testing.T) {
	shape, scale := Shape{Rows: 4, Columns: 6}, Scale{VoltsPerCode: 1e-3, HighestCode: 1023}
	code := func(i int) float64 { return float64(500 + 2*(i%3)) }
	level := func(s Shape, frames int) Level { return Level{10, simulated(t, s, scale, frames, code)} }
	m, err := Fit(Offset, []Level{level(shape, 2)}, Options{Kelvin: 300})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := UpdateOffsets(m, level(shape, 2), Options{Kelvin: 300}); err != nil {
		t.Error(err)
	}
	for name, l := range map[string]Level{"one frame": level(shape, 1), "none": {Lux: 10}} {
		for path, err := range map[string]error{
			"levels[0].frames": second(Fit(Offset, []Level{l}, Options{})),
			"level.frames":     second(UpdateOffsets(m, l, Options{})),
		} {
			var wrong invalid.Errors
			if !errors.As(err, &wrong) || wrong[0].Path != path || !strings.Contains(wrong[0].Message, "two frames") {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
	if _, err := UpdateOffsets(m, level(Shape{Rows: 6, Columns: 4}, 9), Options{}); err == nil {
		t.Error("a level of another shape")
	}
	if _, err := Fit(OffsetGain, []Level{level(shape, 2), {Lux: 20}}, Options{}); err == nil {
		t.Error("a second level without frames")
	}
}

func second(_ *Map, err error) error { return err }
