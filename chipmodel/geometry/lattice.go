package geometry

import (
	"math"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel/analog"
)

// The largest lattice; the limit is for memory, not for optics.
const maxLatticeSide = 8192

// Lattice gives the pixel centres of a chip. Odd rows of a hexagonal lattice
// are shifted right by half a column pitch and its row pitch is sqrt(3)/2 of
// the column pitch.
type Lattice struct {
	Rows, Columns int
	Hexagonal     bool
	// Pitches in micrometres. On a hexagonal lattice PitchYUm may be 0, or
	// must be sqrt(3)/2 of PitchXUm to within 1 %.
	PitchXUm, PitchYUm float64
}

// Extent returns the size of the array in column pitches, edge to edge.
func (l Lattice) Extent() (width, height float64) {
	width = float64(l.Columns)
	if l.Hexagonal && l.Rows > 1 {
		width += 0.5
	}
	return width, float64(l.Rows) * l.RowPitch()
}

// RowPitch is the row pitch in column pitches.
func (l Lattice) RowPitch() float64 {
	if l.Hexagonal {
		return analog.HexRowPitch
	}
	return l.PitchYUm / l.PitchXUm
}

// Centre returns the point of the sensor in the middle of a cell.
func (l Lattice) Centre(row, column int) (x, y float64) {
	width, height := l.Extent()
	x = float64(column) + 0.5
	if l.Hexagonal && row&1 == 1 {
		x += 0.5
	}
	return x - width/2, (float64(row)+0.5)*l.RowPitch() - height/2
}

// Variances returns those of the area of a cell along a row and along a column, in squares of the column pitch. A
// hexagonal cell is as wide as high: it counts as the square of its area.
func (l Lattice) Variances() (x, y float64) {
	ratio := l.RowPitch()
	if l.Hexagonal {
		return ratio / 12, ratio / 12
	}
	return 1.0 / 12, ratio * ratio / 12
}

// Check returns what is wrong with the lattice.
func (l Lattice) Check() (m invalid.Errors) {
	within(&m, "rows", float64(l.Rows), 1, maxLatticeSide, "rows")
	within(&m, "columns", float64(l.Columns), 1, maxLatticeSide, "columns")
	within(&m, "pitch_x_um", l.PitchXUm, 1e-3, 1e6, "um")
	switch {
	case !l.Hexagonal:
		within(&m, "pitch_y_um", l.PitchYUm, 1e-3, 1e6, "um")
	case l.PitchYUm != 0 && !(math.Abs(l.PitchYUm-analog.HexRowPitch*l.PitchXUm) <= 0.01*l.PitchXUm):
		m.Add("pitch_y_um", "is not sqrt(3)/2 of pitch_x_um", "leave it out on a hexagonal lattice")
	}
	return m
}
