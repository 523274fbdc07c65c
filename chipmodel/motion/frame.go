package motion

import (
	"fmt"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel/analog"
)

// MaxSide is the largest number of rows and of columns.
const MaxSide = 4096

// Shape is how the pixels of a frame lie.
type Shape struct {
	Rows, Columns int
	// Hexagonal: of two neighbouring rows one is shifted right by half a column; OddRows says that it is rows 1, 3, 5,
	// as on a whole chip, and otherwise it is rows 0, 2, 4.
	Hexagonal, OddRows bool
}

// Check returns what is wrong with a shape.
func (s Shape) Check() (m invalid.Errors) {
	for _, side := range []struct {
		path string
		n    int
	}{{"rows", s.Rows}, {"columns", s.Columns}} {
		if side.n < 1 || side.n > MaxSide {
			m.Add(side.path, fmt.Sprintf("%d is out of range", side.n), fmt.Sprintf("use 1 to %d", MaxSide))
		}
	}
	return m
}

// leastSide is the fewest rows and columns of which gradients along both are taken; with fewer each row, or column,
// stands for itself.
const leastSide = 5

// TooSmall reports whether frames of a shape are too small for any estimate.
func (s Shape) TooSmall() bool { return s.kind() == tooSmall }

// kind is which filters a shape has.
type kind int

const (
	planar kind = iota
	hexagonal
	alongRows
	alongColumns
	tooSmall
)

func (s Shape) kind() kind {
	switch {
	case s.Rows >= leastSide && s.Columns >= leastSide && s.Hexagonal:
		return hexagonal
	case s.Rows >= leastSide && s.Columns >= leastSide:
		return planar
	case s.Columns >= leastSide:
		return alongRows
	case s.Rows >= leastSide && !s.Hexagonal:
		return alongColumns
	}
	return tooSmall
}

// halves is how far a row is shifted right, in half columns.
func (s Shape) halves(row int) int {
	if s.Hexagonal && (row&1 == 1) == s.OddRows {
		return 1
	}
	return 0
}

// rowPitch is that of a hexagonal lattice in columns; on others the unit of a row is the row itself.
func (s Shape) rowPitch() float64 {
	if s.Hexagonal {
		return analog.HexRowPitch
	}
	return 1
}
