// Package correction is the mathematics of calibration: from frames of one view of one chip under
// uniform light it works out how each pixel differs from the others, which pixels are defective,
// and how to take that out of later frames.
//
// The order of work is: an [Accumulator] for each illumination level; [Fit] by a [Method],
// which gives a [Map]; [Map.Apply] and then [Map.Fill] on every frame; [UpdateOffsets] when
// the array has warmed up; [PhotonTransfer] for the figures of linear pixels.
//
// It is pure: no clock, file or goroutine, and nothing random. Frames are slices of
// codes, row by row. Light is in lux; parameters are in codes, and [Scale] turns codes
// into volts.
//
// Two cautions. A correction map belongs to one chip, view, gain, bias and temperature: on any
// other it adds a pattern instead of taking one away. And a defect that is filled shows
// what its neighbours saw: a machine that must not miss a small thing needs to know which
// pixels those are.
package correction

import (
	"fmt"

	"facetd.example/chipmodel"
)

// Lattice is how the pixels of a frame lie; it decides which are neighbours.
type Lattice uint8

const (
	// Square is rows and columns at right angles.
	Square Lattice = iota
	// HexagonalEven has its odd rows shifted right by half a column pitch.
	HexagonalEven
	// HexagonalOdd has its even rows shifted: a window that begins at an odd row.
	HexagonalOdd
)

// Shape is the size of a frame in pixels and how they lie. A window that steps over rows
// or columns of a hexagonal lattice is best called Square: what is left are no longer six
// equally near neighbours.
type Shape struct {
	Rows, Columns int
	Lattice       Lattice
}

// Pixels is how many pixels per frame has.
func (s Shape) Pixels() int { return s.Rows * s.Columns }

func (s Shape) check() error {
	if s.Rows < 1 || s.Columns < 1 || s.Rows > chipmodel.MaxLatticeSide || s.Columns > chipmodel.MaxLatticeSide {
		return fmt.Errorf("a frame of %d x %d pixels; 1 to %d rows and columns are possible", s.Rows, s.Columns,
			chipmodel.MaxLatticeSide)
	}
	if s.Lattice > HexagonalOdd {
		return fmt.Errorf("lattice %d is not known", s.Lattice)
	}
	return nil
}

// Scale is what codes mean.
type Scale struct {
	// CodeZeroVolts is the input that code 0 stands for: the middle of its step.
	CodeZeroVolts float64
	// VoltsPerCode is the size of one step in volts, above 0.
	VoltsPerCode float64
	// HighestCode is the largest code of the converter. It and code 0 count as clipped.
	HighestCode uint16
}

// Volts is the voltage that a code stands for, which need not be whole; that of a whole one is the middle of its step.
func (s Scale) Volts(code float64) float64 { return s.CodeZeroVolts + code*s.VoltsPerCode }

func (s Scale) check() error {
	if !(s.VoltsPerCode > 0) || !finite(s.VoltsPerCode, s.CodeZeroVolts) {
		return fmt.Errorf("code 0 at %g V and steps of %g V; steps are above 0 and both are finite", s.CodeZeroVolts,
			s.VoltsPerCode)
	}
	if s.HighestCode < 1 {
		return fmt.Errorf("the highest code is %d; a converter has at least two codes", s.HighestCode)
	}
	return nil
}
