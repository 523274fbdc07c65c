// Package groundtruth says what a simulated array really is, where that differs from its description: for the virtual
// bus, and for the chips behind the pins of a board that has none.
package groundtruth

import (
	"errors"
	"fmt"
	"time"

	"facetd.example/chipmodel"
)

// Set is what a simulated array really is, where that differs from its description. Plans, rules and the times
// of operations go by the description, dies and lanes by the ground truth. So a bring-up has something to find out.
type Set struct {
	// Array is what dies and lanes are made of; nil is the array as described. It has
	// the same chips on the same lines and lanes, with lattices of the same size, chips
	// of the same kind and converters of as many bits.
	Array *chipmodel.Array
	// Chips and Lanes hold what an array file has no field for, by index.
	Chips map[int]Chip
	Lanes map[int]Lane
}

// Chip is how a chip deviates from any description.
type Chip struct {
	// LoadDelay is how much later than the strobe the chip loads.
	LoadDelay time.Duration
	// Slip is by how many pixels its counter stands too far (extra clocks) or too short
	// (lost ones, negative) from pulse SlipAt on, counted from 1 after a reset.
	Slip, SlipAt int
	// PassedOnly says that it slips only where that pulse passes a pixel that is not
	// read: pulses that follow each other quickly.
	PassedOnly bool
}

// Lane is how a lane's converter deviates from any description.
type Lane struct {
	// FirstVolts is the error of the first conversion after a rest of Rest; each further conversion has a quarter of
	// the error of the one before.
	FirstVolts float64
	Rest       time.Duration
}

// Check reports a ground truth that cannot belong to a description: programs made for the one must run on the other.
func (t *Set) Check(described *chipmodel.Array) error {
	a := t.Array
	if a == nil {
		return nil
	}
	if a.WiringOnly || len(a.Chips) != len(described.Chips) || len(a.Lanes) != len(described.Lanes) {
		return errors.New("the true array has other chips or lanes than the described one")
	}
	for i := range a.Chips {
		x, y := &a.Chips[i], &described.Chips[i]
		if x.Name != y.Name || x.Lane != y.Lane || x.Wires != y.Wires || x.Class.Parts() != y.Class.Parts() ||
			x.Class.Rows != y.Class.Rows || x.Class.Columns != y.Class.Columns {
			return fmt.Errorf("chip %s: name, wiring, lane, parts or lattice of the true array differ from the "+
				"description", y.Name)
		}
	}
	for i := range a.Lanes {
		if a.Lanes[i].Bits != described.Lanes[i].Bits {
			return fmt.Errorf("lane %s: the true converter has %d bits, the described one %d", described.Lanes[i].Name,
				a.Lanes[i].Bits, described.Lanes[i].Bits)
		}
	}
	return nil
}

// Real is what dies and lanes are made of.
func (t *Set) Real(described *chipmodel.Array) *chipmodel.Array {
	if t == nil || t.Array == nil {
		return described
	}
	return t.Array
}

// Chip is how a chip deviates.
func (t *Set) Chip(c int) Chip {
	if t == nil {
		return Chip{}
	}
	return t.Chips[c]
}

// Lane is how a lane deviates.
func (t *Set) Lane(l int) Lane {
	if t == nil {
		return Lane{}
	}
	return t.Lanes[l]
}
