package dispatch

import (
	"slices"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
)

// registers is what the runner knows of the chips' registers while no job is open. What the active table assumes of
// them is given to each method.
type registers struct {
	array *chipmodel.Array
	board *board
	held  program.Registers // replaced, never changed: readers have it
	doubt []int             // chips that do not hold what the table relies on, ascending
}

// set replaces what is known.
func (k *registers) set(held, assumes program.Registers) {
	k.held, k.doubt = held, nil
	for c := range assumes {
		for reg, v := range assumes[c] {
			if v >= 0 && held[c][reg] != v {
				k.doubt = append(k.doubt, c)
				break
			}
		}
	}
	k.board.setRegisters(held)
}

// doubted reports whether one of the chips does not hold what the table relies on.
func (k *registers) doubted(chips []int) bool { return overlap(chips, k.doubt) }

// wrote brings what is known up to date after a program that is not of the table. Registers that the table's jobs write
// before they need them become unknown again, as the next job changes them.
func (k *registers) wrote(ops []bus.Op, assumes program.Registers) {
	held := program.RegistersAfter(k.array, ops, k.held)
	for c := range assumes {
		for reg, v := range assumes[c] {
			if v == program.Unknown {
				held[c][reg] = program.Unknown
			}
		}
	}
	k.set(held, assumes)
}

// lose makes every register of chips unknown, as those of a program that was not run whole are: nobody knows how far it
// came, nor what stopped it.
func (k *registers) lose(chips []int, assumes program.Registers) {
	held := slices.Clone(k.held)
	for _, c := range chips {
		for reg := range held[c] {
			held[c][reg] = program.Unknown
		}
	}
	k.set(held, assumes)
}
