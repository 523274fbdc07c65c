package resample

import (
	"encoding/binary"
	"math"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel/analog"
)

// plane is a corrected hexagonal frame of light that grows linearly along both axes.
func plane(row uint32, rows, columns int) *facetdv1.Frame {
	f := &facetdv1.Frame{
		Chip: "h", Arrangement: facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL, Rows: uint32(rows),
		Columns: uint32(columns),
		Window: &facetdv1.Window{Row: row, Rows: uint32(rows), Columns: uint32(columns), RowStep: 1,
			ColumnStep: 1},
		Corrections: []facetdv1.Correction{facetdv1.Correction_CORRECTION_OFFSET}, PixelIntervalNs: 1000,
	}
	for r := range rows {
		f.RowOffsetNs = append(f.RowOffsetNs, int64(r)*50_000)
		f.RowLightOffsetNs = append(f.RowLightOffsetNs, int64(r)*2_000)
		for c := range columns {
			x := float64(c) + 0.5*float64((int(row)+r)&1)
			f.Data = binary.LittleEndian.AppendUint16(f.Data, code(x, float64(r)*analog.HexRowPitch))
		}
	}
	return f
}

func code(x, y float64) uint16 { return uint16(math.Round(1000 + 40*x + 70*y)) }

// TestSquareKeepsAPlane: on the square lattice the light has the value of each point's
// place, whether the window begins with a row that is shifted or not.
func TestSquareKeepsAPlane(t *testing.T) {
	for _, row := range []uint32{0, 3, 4} {
		in := plane(row, 9, 11)
		before := string(in.GetData())
		set := Square(&facetdv1.FrameSet{Task: "t", Frames: []*facetdv1.Frame{in}})
		f := set.GetFrames()[0]
		if f.GetArrangement() != facetdv1.Arrangement_ARRANGEMENT_SQUARE || f.GetRows() != 8 || f.GetColumns() != 11 ||
			set.GetTask() != "t" {
			t.Fatalf("row %d: %v of %d x %d; %s", row, f.GetArrangement(), f.GetRows(), f.GetColumns(),
				f.GetCorrectionNote())
		}
		if n := f.GetCorrections(); len(n) != 2 || n[1] != facetdv1.Correction_CORRECTION_RESAMPLED ||
			len(in.GetCorrections()) != 1 {
			t.Errorf("row %d: corrections %v", row, n)
		}
		for r := range 8 {
			for c := range 11 {
				want := float64(code(0.5+float64(c)*analog.HexPitch, float64(r)*analog.HexPitch))
				got := float64(binary.LittleEndian.Uint16(f.Data[2*(r*11+c):]))
				if math.Abs(got-want) > 1 {
					t.Errorf("row %d: point %d, %d is %v, want %v", row, r, c, got, want)
				}
			}
		}
		// Row 1 of the grid lies 0.93 column pitches down, nearest to row 1 of the lattice
		// at 0.87; row 7 at 6.51, nearest to row 8 at 6.93.
		if o := f.GetRowOffsetNs(); len(o) != 8 || o[1] != 50_000 || o[7] != 400_000 || f.GetPixelIntervalNs() != 931 {
			t.Errorf("row %d: row offsets %v, pixel interval %d ns", row, f.GetRowOffsetNs(), f.GetPixelIntervalNs())
		}
		if o := f.GetRowLightOffsetNs(); len(o) != 8 || o[1] != 2_000 || o[7] != 16_000 {
			t.Errorf("row %d: times of the rows' light %v", row, o)
		}
		if string(in.GetData()) != before || in.GetRows() != 9 {
			t.Error("the frame that was given has changed")
		}
	}
}

// TestNotSquare: what cannot be resampled stays as it is and says why; square lattices are
// not touched.
func TestNotSquare(t *testing.T) {
	const (
		steps = "old; not resampled: with steps of 2 rows and 1 columns the pixels do not lie on a hexagonal lattice"
		times = "not resampled: the frame says nothing of the times of its rows"
		whole = "not resampled: the frame is incomplete"
		raw   = "not resampled: the frame is not corrected"
		flat  = "not resampled: a hexagonal lattice of 1 x 99 cells has no triangles; give at least 2 x 2"
	)
	for want, change := range map[string]func(*facetdv1.Frame){
		raw:   func(f *facetdv1.Frame) { f.Corrections = nil },
		steps: func(f *facetdv1.Frame) { f.Window.RowStep, f.CorrectionNote = 2, "old" },
		whole: func(f *facetdv1.Frame) { f.Data = f.Data[2:] },
		times: func(f *facetdv1.Frame) { f.RowOffsetNs = nil },
		flat:  func(f *facetdv1.Frame) { f.Rows, f.Columns = 1, 99 },
		"":    func(f *facetdv1.Frame) { f.Arrangement = facetdv1.Arrangement_ARRANGEMENT_SQUARE },
	} {
		in := plane(0, 9, 11)
		change(in)
		f := Square(&facetdv1.FrameSet{Frames: []*facetdv1.Frame{in}}).GetFrames()[0]
		if f.GetCorrectionNote() != want || f.GetArrangement() != in.GetArrangement() || f.GetRows() != in.GetRows() ||
			len(f.GetCorrections()) != len(in.GetCorrections()) {
			t.Errorf("%q, want %q: %v of %d rows", f.GetCorrectionNote(), want, f.GetArrangement(), f.GetRows())
		}
	}
}

// TestSizesThatOverflow: a size that comes to that of the data only because its product does
// not fit into an integer is not believed.
func TestSizesThatOverflow(t *testing.T) {
	f := plane(0, 9, 11)
	f.Rows, f.Columns, f.Data = 2147549185, 4294836226, make([]byte, 4) // twice the product is 2^64 + 4
	got := Square(&facetdv1.FrameSet{Frames: []*facetdv1.Frame{f}}).GetFrames()[0]
	if got.GetCorrectionNote() != "not resampled: the frame is incomplete" {
		t.Errorf("%d x %d: %q", f.GetRows(), f.GetColumns(), got.GetCorrectionNote())
	}
}

// TestShapesAreForgotten: windows that somebody captures once do not fill the memory.
func TestShapesAreForgotten(t *testing.T) {
	for rows := 2; rows < 4+maxShapes; rows++ {
		f := plane(0, rows, 5)
		got := Square(&facetdv1.FrameSet{Frames: []*facetdv1.Frame{f}}).GetFrames()[0]
		if got.GetCorrectionNote() != "" {
			t.Fatal(got.GetCorrectionNote())
		}
		if n := len(made.byShape); n == 0 || n > maxShapes {
			t.Fatalf("%d shapes are kept after windows of up to %d rows, at most %d may be", n, rows, maxShapes)
		}
	}
}
