package selectword

import (
	"slices"

	"facetd.example/chipmodel"
)

// Wiring says which lines every chip's inputs are wired to. It is immutable and
// may be shared.
type Wiring struct {
	wires []chipmodel.LineSet // by chip
}

// New returns the wiring in which chip i's inputs are wired to the lines wires[i].
// A chip without wires always listens.
func New(wires []chipmodel.LineSet) *Wiring { return &Wiring{wires: slices.Clone(wires)} }

// Chips is the number of chips.
func (w *Wiring) Chips() int { return len(w.wires) }

// Wires returns the lines that a chip's inputs are wired to.
func (w *Wiring) Wires(chip int) chipmodel.LineSet { return w.wires[chip] }

// Reach returns the chips that listen under a word, ascending.
func (w *Wiring) Reach(word chipmodel.LineSet) []int {
	reach := []int{}
	for chip, wires := range w.wires {
		if wires.Within(word) {
			reach = append(reach, chip)
		}
	}
	return reach
}

// Union returns the lines of all these chips: the smallest word under which all
// of them listen.
func (w *Wiring) Union(chips []int) chipmodel.LineSet {
	var word chipmodel.LineSet
	for _, chip := range chips {
		word |= w.wires[chip]
	}
	return word
}
