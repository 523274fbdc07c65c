package analog

import (
	"fmt"
	"math"
)

// HexRowPitch is the row pitch of a hexagonal lattice in column pitches.
var HexRowPitch = math.Sqrt(3) / 2

// HexPitch is the pitch, in column pitches, of a square grid with as many points to
// the area as a hexagonal lattice.
var HexPitch = math.Sqrt(HexRowPitch)

// HexResampler reads a hexagonal lattice on a rectangular grid. Cell (r, c) of the
// lattice lies at x = c + (r mod 2)/2 and y = r sqrt(3)/2, in column pitches. Between
// cells it interpolates linearly on the equilateral triangle of the three nearest:
// exact for light that varies linearly, and for a wave of unit amplitude and
// wavenumber k wrong by at most k^2/8 (the variance of three points on a line of
// length 1 is at most 1/4, Popoviciu).
//
// It is immutable and safe for concurrent use.
type HexResampler struct {
	// Rows and Columns are the size of the grid.
	Rows, Columns int
	cells         int
	taps          []hexTap
}

type hexTap struct {
	cell   [3]int32
	weight [3]float64
}

// NewHexResampler makes a resampler of a lattice of rows by columns to the grid of
// all points (xs[j], ys[i]). A point beyond the cells takes the value at the nearest
// place that triangles cover in its row.
func NewHexResampler(rows, columns int, xs, ys []float64) (*HexResampler, error) {
	if rows < 2 || columns < 2 {
		return nil, fmt.Errorf("a hexagonal lattice of %d x %d cells has no triangles; give at least 2 x 2", rows,
			columns)
	}
	if len(xs) == 0 || len(ys) == 0 {
		return nil, fmt.Errorf("the grid of %d x %d points is empty", len(ys), len(xs))
	}
	h := &HexResampler{Rows: len(ys), Columns: len(xs), cells: rows * columns, taps: make([]hexTap, 0, len(xs)*len(ys))}
	for _, y := range ys {
		for _, x := range xs {
			if math.IsNaN(x) || math.IsNaN(y) {
				return nil, fmt.Errorf("the point (%v, %v) is not finite", x, y)
			}
			h.taps = append(h.taps, hexWeights(rows, columns, x, y))
		}
	}
	return h, nil
}

// NewHexToSquare makes a resampler to the largest square grid of equal density that lies within the cells: the points
// are HexPitch apart, the first half a pitch right of the first cell. With odd the first row is one that lies half a
// pitch to the right, and the first point is its first cell.
func NewHexToSquare(rows, columns int, odd bool) (*HexResampler, error) {
	xs, ys := steps(0.5, float64(columns-1)), steps(0, float64(rows-1)*HexRowPitch)
	if !odd {
		return NewHexResampler(rows, columns, xs, ys)
	}
	// A lattice with one row more before it, which none of the points lies on.
	for i := range ys {
		ys[i] += HexRowPitch
	}
	h, err := NewHexResampler(rows+1, columns, xs, ys)
	if err != nil {
		return nil, err
	}
	h.cells = rows * columns
	for i := range h.taps {
		for k, cell := range h.taps[i].cell {
			h.taps[i].cell[k] = max(cell-int32(columns), 0) // rounding may give that row a weight of 1e-16
		}
	}
	return h, nil
}

func steps(from, to float64) []float64 {
	var out []float64
	for i := 0; from+float64(i)*HexPitch <= to+1e-9; i++ {
		out = append(out, from+float64(i)*HexPitch)
	}
	return out
}

// hexWeights finds the triangle around a point. Between rows r and r+1 the cells of
// one lie half a pitch beside those of the other, so at a height t (0 to 1) below row
// r triangles with their base above and below take turns every pitch.
func hexWeights(rows, columns int, x, y float64) hexTap {
	y = min(max(y/HexRowPitch, 0), float64(rows-1))
	r := min(int(y), rows-2)
	t := y - float64(r)
	shift := 0.5 * float64(r&1)
	// Ends of what triangles cover at this height.
	u := min(max(x-shift, hexLowest(r, t)), hexHighest(r, t, columns))
	base := math.Floor(u - t/2)
	f := u - t/2 - base
	i := int(base)
	below := i + r&1 // the cell of row r+1 half a pitch right of cell i
	at := func(row, column int) int32 { return int32(row*columns + min(max(column, 0), columns-1)) }
	if f <= 1-t {
		return hexTap{[3]int32{at(r, i), at(r, i+1), at(r+1, below)}, [3]float64{1 - t - f, f, t}}
	}
	return hexTap{[3]int32{at(r, i+1), at(r+1, below), at(r+1, below+1)}, [3]float64{1 - t, 1 - f, f + t - 1}}
}

// hexLowest and hexHighest are the first and last x, counted from the first cell of
// row r, that lie on an edge between the rows' outermost cells.
func hexLowest(r int, t float64) float64 {
	if r&1 == 1 {
		return -t / 2
	}
	return t / 2
}

func hexHighest(r int, t float64, columns int) float64 {
	return float64(columns-1) + hexLowest(r, t)
}

// Resample fills dst, Rows x Columns row by row, from the samples of the lattice. It
// does not allocate.
func (h *HexResampler) Resample(dst, samples []float64) error {
	if len(dst) != len(h.taps) || len(samples) != h.cells {
		return fmt.Errorf("%d samples to %d points; this resampler takes %d to %d", len(samples), len(dst), h.cells,
			len(h.taps))
	}
	for i := range h.taps {
		t := &h.taps[i]
		dst[i] = t.weight[0]*samples[t.cell[0]] + t.weight[1]*samples[t.cell[1]] + t.weight[2]*samples[t.cell[2]]
	}
	return nil
}
