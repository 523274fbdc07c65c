package selectword

import (
	"math/bits"
	"slices"
	"strconv"
	"strings"
)

// Word is a set of select lines, bit i for line i (at most 64 lines).
type Word uint64

// Lines returns the active lines, ascending.
func (w Word) Lines() []int {
	lines := make([]int, 0, w.Len())
	for ; w != 0; w &= w - 1 {
		lines = append(lines, w.lowest())
	}
	return lines
}

// Len is the number of active lines.
func (w Word) Len() int { return bits.OnesCount64(uint64(w)) }

// Within reports whether every line of w is active in outer.
func (w Word) Within(outer Word) bool { return w&^outer == 0 }

// String lists the lines, such as "{0,3,7}".
func (w Word) String() string {
	parts := make([]string, 0, w.Len())
	for _, line := range w.Lines() {
		parts = append(parts, strconv.Itoa(line))
	}
	return "{" + strings.Join(parts, ",") + "}"
}

func (w Word) lowest() int { return bits.TrailingZeros64(uint64(w)) }

// Wiring says which lines every chip's inputs are wired to. It is immutable and
// may be shared.
type Wiring struct {
	wires []Word // by chip
}

// New returns the wiring in which chip i's inputs are wired to the lines wires[i].
// A chip without wires always listens.
func New(wires []Word) *Wiring { return &Wiring{wires: slices.Clone(wires)} }

// Chips is the number of chips.
func (w *Wiring) Chips() int { return len(w.wires) }

// Wires returns the lines that a chip's inputs are wired to.
func (w *Wiring) Wires(chip int) Word { return w.wires[chip] }

// Reach returns the chips that listen under a word, ascending.
func (w *Wiring) Reach(word Word) []int {
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
func (w *Wiring) Union(chips []int) Word {
	var word Word
	for _, chip := range chips {
		word |= w.wires[chip]
	}
	return word
}
