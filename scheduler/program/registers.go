package program

import (
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Registers is what is known of every chip's registers: [chip][register], -1 where unknown.
type Registers [][chipmodel.NumRegisters]int32

// Values that stand for no value of a register.
const (
	// Unknown is a register whose value is not known.
	Unknown int32 = -1
	// Untouched is a register that a table neither changes nor relies on.
	// Only Assumed gives it.
	Untouched int32 = -2
	// slotContent less the number of a slot is whatever value that slot has in the job at hand. Only a compiler knows
	// it: between jobs such a register is Unknown.
	slotContent int32 = -16
)

// NewRegisters returns registers that all hold v.
func NewRegisters(a *chipmodel.Array, v int32) Registers {
	r := make(Registers, len(a.Chips))
	for c := range r {
		for i := range r[c] {
			r[c][i] = v
		}
	}
	return r
}

// PowerOn is what is known of an array that was just switched on: no output is
// enabled, and biases are nominal.
func PowerOn(a *chipmodel.Array) Registers {
	r := NewRegisters(a, Unknown)
	for i := range a.Chips {
		r[i][chipmodel.OutputEnable] = 0
		class := a.Chips[i].Class
		if class == nil {
			continue
		}
		for _, bias := range []facetdv1.Register{chipmodel.PixelBias, chipmodel.OutputBias} {
			if class.HasRegister(bias) {
				r[i][bias] = int32(class.PowerOn(bias))
			}
		}
	}
	return r
}

// Overlay returns what is known once a table that assumes those registers is
// active: its values, and what was known before where it does not touch a register.
func Overlay(before, assumes Registers) Registers {
	out := slices.Clone(before)
	for c := range out {
		for i, v := range assumes[c] {
			if v != Untouched {
				out[c][i] = v
			}
		}
	}
	return out
}

// RegistersAfter returns what the registers hold after a run of operations. No line may be active before it, so that
// its first writes reach the chips of its own words only.
func RegistersAfter(a *chipmodel.Array, ops []bus.Op, before Registers) Registers {
	out := slices.Clone(before)
	var word chipmodel.LineSet
	for i := range ops {
		switch op := &ops[i]; op.Kind {
		case bus.OpSelect:
			word = op.Word
		case bus.OpWrite:
			for _, c := range a.Reach(word) {
				out[c][op.Register] = int32(op.Value)
			}
		}
	}
	return out
}

// Wish is the first and the last value of a register that a job needs.
type Wish struct {
	First, Last uint16
	// Moves says that a slot gives one of the values the job needs, so that none can be relied on from job to job.
	Moves bool
}

// Wishes returns, for each register that a job of the task writes, the values it
// needs first and last. They are the same for every chip of the task.
func Wishes(t *Task) map[facetdv1.Register]Wish {
	out := map[facetdv1.Register]Wish{}
	need := func(r facetdv1.Register, v uint16) {
		w, seen := out[r]
		if !seen {
			w.First = v
		}
		w.Last = v
		out[r] = w
	}
	for i := range t.Views {
		v := &t.Views[i]
		for _, s := range v.Shares {
			need(chipmodel.ColumnPattern, uint16(s.Columns))
			need(chipmodel.RowPattern, uint16(s.Rows))
		}
		if t.Class.HasSwitches() {
			need(chipmodel.ColumnPattern, uint16(v.Patterns.Columns))
			need(chipmodel.RowPattern, uint16(v.Patterns.Rows))
		}
		for k, rv := range v.Trim {
			need(rv.Register, rv.Value)
			if v.slotOf(k) > 0 {
				w := out[rv.Register]
				w.Moves = true
				out[rv.Register] = w
			}
		}
	}
	return out
}

// Assumed returns what every register holds whenever no job is open: the value that all tasks that write it leave in
// it, Unknown where they leave different ones, and Untouched where none writes it. Outputs are disabled.
//
// It is what makes the cost of a job the same whatever ran before: a register is
// written exactly when the job cannot rely on it.
func Assumed(a *chipmodel.Array, tasks []*Task) Registers {
	r := NewRegisters(a, Untouched)
	for i := range r {
		r[i][chipmodel.OutputEnable] = 0
	}
	for _, t := range tasks {
		for reg, w := range Wishes(t) {
			for _, c := range t.Touches {
				if w.Moves {
					r[c][reg] = Unknown
					continue
				}
				switch r[c][reg] {
				case Untouched, int32(w.Last):
					r[c][reg] = int32(w.Last)
				default:
					r[c][reg] = Unknown
				}
			}
		}
	}
	return r
}
