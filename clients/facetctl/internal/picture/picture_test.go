package picture

import (
	"image"
	"image/color"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

func frame(t *testing.T, rows, columns int, code func(r, c int) uint16) *Frame {
	t.Helper()
	var data []byte
	for r := range rows {
		for c := range columns {
			v := code(r, c)
			data = append(data, byte(v), byte(v>>8)) // least significant byte first
		}
	}
	f, err := New(&facetdv1.Frame{
		Chip: "m0", Arrangement: facetdv1.Arrangement_ARRANGEMENT_SQUARE, Rows: uint32(rows), Columns: uint32(columns),
		PixelFormat: "Mono16",
		Window:      &facetdv1.Window{Rows: uint32(rows), Columns: uint32(columns), RowStep: 1, ColumnStep: 1},
		Data:        data,
	})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestCodesAreLittleEndian(t *testing.T) {
	f, err := New(&facetdv1.Frame{Rows: 1, Columns: 2, Data: []byte{0x34, 0x12, 0xff, 0x0f}})
	if err != nil || !slices.Equal(f.Codes, []uint16{0x1234, 0x0fff}) {
		t.Errorf("codes %#x, %v", f.Codes, err)
	}
}

func TestBrokenFramesAreRefused(t *testing.T) {
	for name, f := range map[string]*facetdv1.Frame{
		"short data":       {Rows: 2, Columns: 2, Data: make([]byte, 6)},
		"long data":        {Rows: 2, Columns: 2, Data: make([]byte, 10)},
		"no pixels":        {},
		"size overflows":   {Rows: 1 << 31, Columns: 1 << 31, Data: nil},
		"foreign format":   {Rows: 1, Columns: 1, Data: make([]byte, 2), PixelFormat: "Mono8"},
		"rows and no data": {Rows: 3, Columns: 1},
	} {
		if _, err := New(f); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestGray16KeepsOrStretches(t *testing.T) {
	f := frame(t, 1, 3, func(_, c int) uint16 { return uint16(1000 + 500*c) })
	plain := f.Gray16(nil)
	rng := FullRange(f)
	wide := f.Gray16(&rng)
	for c, want := range []uint16{0, 0x8000, 0xffff} {
		if got := plain.Gray16At(c, 0).Y; got != uint16(1000+500*c) {
			t.Errorf("kept pixel %d is %d", c, got)
		}
		if got := wide.Gray16At(c, 0).Y; got != want {
			t.Errorf("stretched pixel %d is %#x, want %#x", c, got, want)
		}
	}
}

// Stretching keeps the order of codes and reaches both ends.
func TestScaleIsMonotonic(t *testing.T) {
	seed := uint64(20261125)
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 1))
	for range 200 {
		a, b := uint16(rnd.UintN(65536)), uint16(rnd.UintN(65536))
		r := Range{min(a, b), max(a, b)}
		top := []uint32{255, 65535}[rnd.IntN(2)]
		last := uint32(0)
		for code := range 65536 {
			v := r.Scale(uint16(code), top)
			if v < last || v > top {
				t.Fatalf("%v: code %d gives %d after %d", r, code, v, last)
			}
			last = v
		}
		if r.Low < r.High && (r.Scale(r.Low, top) != 0 || r.Scale(r.High, top) != top) {
			t.Fatalf("%v does not reach both ends", r)
		}
	}
}

func TestAutoRangeLeavesOutOddPixels(t *testing.T) {
	f := frame(t, 20, 20, func(r, c int) uint16 {
		switch {
		case r == 0 && c == 0:
			return 0
		case r == 0 && c == 1:
			return 4095
		}
		return uint16(1000 + r)
	})
	if full, auto := FullRange(f), AutoRange(f); full != (Range{0, 4095}) || auto.Low < 1000 || auto.High > 1019 {
		t.Errorf("full %v, auto %v", full, auto)
	}
}

// A rising ramp of light gives a rising ramp of characters, in as many as fit.
func TestTextFits(t *testing.T) {
	f := frame(t, 40, 40, func(_, c int) uint16 { return uint16(100 * c) })
	for _, size := range [][2]int{{80, 24}, {40, 20}, {13, 5}, {1, 1}, {200, 100}} {
		lines := Text(f, FullRange(f), size[0], size[1], false)
		if len(lines) > size[1] || len(lines[0]) > size[0] {
			t.Fatalf("%d by %d characters for room of %v", len(lines[0]), len(lines), size)
		}
		levels := []byte(lines[0])
		for i := range levels {
			levels[i] = byte(strings.IndexByte(ramp, levels[i]))
		}
		if !slices.IsSorted(levels) {
			t.Errorf("the ramp is drawn as %q", lines[0])
		}
	}
	colour := Text(f, FullRange(f), 40, 20, true)
	if visible(colour[0]) != 40 || !strings.HasPrefix(colour[0], "\x1b[38;2;0;0;0;48;2;0;0;0m") ||
		!strings.HasSuffix(colour[0], "\x1b[0m") {
		t.Errorf("half blocks are %q", colour[0])
	}
}

// Odd rows of the lattice are shifted right, which rows of the frame those are
// depends on the window.
func TestHexagonalRowsAreShifted(t *testing.T) {
	f := frame(t, 2, 3, func(_, _ int) uint16 { return 1 })
	f.Arrangement = facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL
	shift := func(row int) int {
		img := image.NewGray(image.Rectangle{Max: f.size(4, 4)})
		f.draw(img, image.Point{}, 4, 4, Range{0, 1})
		for x := range img.Rect.Dx() {
			if img.GrayAt(x, 4*row) == (color.Gray{Y: 255}) {
				return x
			}
		}
		return -1
	}
	if shift(0) != 0 || shift(1) != 2 {
		t.Errorf("rows begin at %d and %d, want 0 and 2", shift(0), shift(1))
	}
	f.Window.Row = 5
	if shift(0) != 2 || shift(1) != 0 {
		t.Errorf("from row 5 on, rows begin at %d and %d, want 2 and 0", shift(0), shift(1))
	}
	f.Window.Row, f.Window.RowStep = 1, 2
	if shift(0) != 2 || shift(1) != 2 {
		t.Errorf("every second row from 1 on begins at %d and %d, want 2 and 2", shift(0), shift(1))
	}
}

func TestBesideFillsTheWidth(t *testing.T) {
	block := func(name string) Block { return Block{Caption: name, Lines: []string{"#####", "#####"}, Width: 5} }
	got := Beside([]Block{block("a"), block("b"), block("c")}, 12)
	want := []string{"a      b", "#####  #####", "#####  #####", "", "c", "#####", "#####"}
	if !slices.Equal(got, want) {
		t.Errorf("laid out as %q", got)
	}
}

// Every frame of a set is on its sheet, whole and apart from the others, and every
// caption has its letters.
func TestSheetHoldsEveryFrame(t *testing.T) {
	var cells []Cell
	for i := range 12 {
		f := frame(t, 20, 20, func(_, _ int) uint16 { return uint16(100 + i) })
		cells = append(cells, Cell{Frame: f, Captions: []string{"wall-00", "wall 20x20"}})
	}
	rng := Range{100, 111}
	img := Sheet("wall job 3", cells, rng)
	count := map[uint8]int{}
	for _, y := range img.Pix {
		count[y]++
	}
	for i := range 12 {
		level := uint8(rng.Scale(uint16(100+i), 255))
		if n := count[level]; n != 120*120 && level != paper && level != ink {
			t.Errorf("frame %d takes %d pixels, want %d", i, n, 120*120)
		}
	}
	if b := img.Bounds(); b.Dx() < b.Dy()/3 || b.Dy() < b.Dx()/3 {
		t.Errorf("the sheet is %v", b)
	}
	if count[ink] == 0 {
		t.Error("the sheet has no text")
	}
}

// What names of an array are made of can be told apart in captions.
func TestLettersDiffer(t *testing.T) {
	drawn := func(s string) string {
		img := image.NewGray(image.Rect(0, 0, textWidth(s), lineSkip))
		text(img, image.Point{}, s)
		return string(img.Pix)
	}
	seen := map[string]rune{drawn("\ufffd"): '?', drawn(" "): ' '}
	for _, r := range "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.,/+=%#():" {
		look := drawn(string(r))
		if other, taken := seen[look]; taken {
			t.Errorf("%q and %q look alike", r, other)
		}
		seen[look] = r
	}
}

func FuzzNew(f *testing.F) {
	f.Add(uint32(2), uint32(2), uint32(0), uint32(1), int32(1), []byte{1, 2, 3, 4, 5, 6, 7, 8})
	f.Add(uint32(1), uint32(1), uint32(7), uint32(0), int32(2), []byte{0, 0})
	f.Fuzz(func(t *testing.T, rows, columns, row, step uint32, lattice int32, data []byte) {
		one, err := New(&facetdv1.Frame{
			Rows: rows, Columns: columns, Arrangement: facetdv1.Arrangement(lattice), Data: data,
			Window: &facetdv1.Window{Row: row, RowStep: step, ColumnStep: 1},
		})
		if err != nil {
			return
		}
		if len(one.Codes) == 0 || len(one.Codes) > 4096 {
			return
		}
		for _, l := range Text(one, AutoRange(one), 60, 20, false) {
			if len(l) > 60 {
				t.Fatalf("a line of %d characters", len(l))
			}
		}
		if n := len(Text(one, AutoRange(one), 60, 20, true)); n > 20 {
			t.Fatalf("%d lines", n)
		}
	})
}
