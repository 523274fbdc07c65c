package diagnosis

import (
	"fmt"
	"math/bits"
	"slices"

	"facetd.example/chipmodel"
)

// Level is what a lane shows.
type Level uint8

// The levels of a lane.
const (
	Idle      Level = iota // undriven
	Driven                 // a chip drives
	Saturated              // full scale
	// Unclear is neither clearly idle nor clearly driven; nothing follows from it.
	Unclear
)

func (l Level) String() string { return [...]string{"idle", "driven", "saturated", "unclear"}[l] }

// Observation is the level of each lane, by the array's index.
type Observation []Level

// Experiment enables the outputs of the chips that listen under the word Enable, reads out every lane under each word
// of Readouts, and disables all outputs again. Each word of Readouts is one readout.
type Experiment struct {
	Enable   chipmodel.LineSet
	Readouts []chipmodel.LineSet
	// Risks are the sets of faults, not excluded yet, under which several chips of a lane would be enabled and drive it
	// together for the time of one register write; empty where the experiment is safe.
	Risks [][]Fault
}

func (e *Experiment) equal(f *Experiment) bool {
	return e.Enable == f.Enable && slices.Equal(e.Readouts, f.Readouts)
}

// Limits of the arrays that are handled: the chips of a lane are bits of one uint64, and the levels of all lanes are
// two bits each of another.
const (
	maxLaneChips = 64
	maxLanes     = 32
)

// Model is a symbolic array: what experiments show under faults.
type Model struct {
	a *chipmodel.Array
	// lane and bit are the place of each chip in a reach.
	lane  []int
	bit   []uint64
	wires []chipmodel.LineSet
	every chipmodel.LineSet // all lines
}

// NewModel returns the model of an array, which must have lanes, at most 32 with at
// most 64 chips each.
func NewModel(a *chipmodel.Array) (*Model, error) {
	switch {
	case a.WiringOnly || len(a.Lanes) == 0:
		return nil, fmt.Errorf("an array that has only its wiring described has no lanes to observe")
	case len(a.Lanes) > maxLanes:
		return nil, fmt.Errorf("%d lanes are more than the %d that can be probed", len(a.Lanes), maxLanes)
	}
	m := &Model{a: a, every: chipmodel.LineSet(1)<<uint(len(a.Lines)) - 1}
	if len(a.Lines) == chipmodel.MaxLines {
		m.every = ^chipmodel.LineSet(0)
	}
	on := make([]int, len(a.Lanes))
	for i := range a.Chips {
		c := &a.Chips[i]
		if on[c.Lane] == maxLaneChips {
			return nil, fmt.Errorf("lane %s has more than the %d chips that can be probed", a.Lanes[c.Lane].Name,
				maxLaneChips)
		}
		m.lane = append(m.lane, c.Lane)
		m.bit = append(m.bit, 1<<uint(on[c.Lane]))
		m.wires = append(m.wires, c.Wires)
		on[c.Lane]++
	}
	return m, nil
}

// Faults lists every single fault of the array.
func (m *Model) Faults() []Fault { return allFaults(m.a) }

// net is which lines are really active when the host makes a word active. Swaps are on the host's side and act first,
// one after another; a stuck line is stuck wherever it is driven from.
func net(faults []Fault, word chipmodel.LineSet) chipmodel.LineSet {
	for _, f := range faults {
		if f.Kind == Swapped && word.Has(f.Line) != word.Has(f.Other) {
			word ^= 1<<uint(f.Line) | 1<<uint(f.Other)
		}
	}
	for _, f := range faults {
		switch f.Kind {
		case StuckActive:
			word |= 1 << uint(f.Line)
		case StuckInactive:
			word &^= 1 << uint(f.Line)
		}
	}
	return word
}

// reach sets, lane by lane, the chips that drive under a word when their output is
// enabled. dst has one word of bits per lane.
func (m *Model) reach(faults []Fault, word chipmodel.LineSet, dst []uint64) {
	active := net(faults, word)
	m.wired(active, dst)
	for _, f := range faults {
		if f.atInput() {
			dst[m.lane[f.Chip]] &^= m.bit[f.Chip]
			if m.listens(faults, f.Chip, active) {
				dst[m.lane[f.Chip]] |= m.bit[f.Chip]
			}
		}
	}
	for _, f := range faults {
		if f.Kind == Dead {
			dst[m.lane[f.Chip]] &^= m.bit[f.Chip]
		}
	}
}

// listens works out the inputs of one chip. An input is active when a line that it is connected to is; one that is
// connected to none follows its pull. An open input that is shorted to a line is connected to that line alone.
func (m *Model) listens(faults []Fault, chip int, active chipmodel.LineSet) bool {
	for i, line := range m.a.Chips[chip].Selects {
		connected := chipmodel.LineSet(1) << uint(line)
		pull := false
		for _, f := range faults {
			if f.Chip == chip && f.Input == i && (f.Kind == OpenActive || f.Kind == OpenInactive) {
				connected &^= 1 << uint(line)
				pull = f.Kind == OpenActive
			}
		}
		for _, f := range faults {
			if f.Chip == chip && f.Input == i && f.Kind == Shorted {
				connected |= 1 << uint(f.Other)
			}
		}
		if connected == 0 && !pull || connected != 0 && connected&active == 0 {
			return false
		}
	}
	return true
}

// converter is what lane faults make of the levels, two bits per lane: those in keep stay, then those in set are added.
type converter struct{ keep, set uint64 }

func converterOf(faults []Fault) converter {
	c := converter{keep: ^uint64(0)}
	for _, f := range faults {
		if f.Kind == LaneOpen || f.Kind == LaneSaturated {
			c.keep &^= 3 << (2 * uint(f.Lane))
		}
		if f.Kind == LaneSaturated {
			c.set |= uint64(Saturated) << (2 * uint(f.Lane))
		}
	}
	return c
}

// levels packs what the lanes show when the chips of both reaches drive.
func (c converter) levels(enabled, selected []uint64) uint64 {
	var out uint64
	for lane, e := range enabled {
		if e&selected[lane] != 0 {
			out |= uint64(Driven) << (2 * uint(lane))
		}
	}
	return out&c.keep | c.set
}

// clash reports whether two chips of one lane are in a reach.
func clash(reach []uint64) bool {
	for _, r := range reach {
		if r&(r-1) != 0 {
			return true
		}
	}
	return false
}

// clashBoth reports whether two chips of one lane are in both reaches.
func clashBoth(enabled, selected []uint64) bool {
	for i, e := range enabled {
		if r := e & selected[i]; r&(r-1) != 0 {
			return true
		}
	}
	return false
}

// Outcome is what an experiment does under a set of faults.
type Outcome struct {
	// Levels are what each readout shows.
	Levels []Observation
	// Contending are the chips that drive one lane together after the enabling
	// write, ascending, of the first such lane; none on a safe experiment.
	Contending []int
	// Lasting says that they do so during a readout as well.
	Lasting bool
}

// Observe returns what an experiment does under a set of faults. Several swaps act
// one after another.
func (m *Model) Observe(faults []Fault, e Experiment) Outcome {
	enabled, selected := make([]uint64, len(m.a.Lanes)), make([]uint64, len(m.a.Lanes))
	conv := converterOf(faults)
	m.reach(faults, e.Enable, enabled)
	var out Outcome
	for _, readout := range e.Readouts {
		m.reach(faults, readout, selected)
		out.Levels = append(out.Levels, m.unpack(conv.levels(enabled, selected)))
		out.Lasting = out.Lasting || clashBoth(enabled, selected)
	}
	first := slices.IndexFunc(enabled, func(r uint64) bool { return bits.OnesCount64(r) > 1 })
	for c, lane := range m.lane {
		if lane == first && enabled[lane]&m.bit[c] != 0 {
			out.Contending = append(out.Contending, c)
		}
	}
	return out
}

func (m *Model) unpack(levels uint64) Observation {
	out := make(Observation, len(m.a.Lanes))
	for i := range out {
		out[i] = Level(levels >> (2 * uint(i)) & 3)
	}
	return out
}

// seen is a packed observation of one readout; lanes that were unclear are masked out.
type seen struct {
	enable, readout chipmodel.LineSet
	levels, mask    uint64
}

// pack packs the observations of an experiment, one for each of its readouts.
func pack(e Experiment, o []Observation) []seen {
	out := make([]seen, len(e.Readouts))
	for i := range out {
		out[i] = seen{enable: e.Enable, readout: e.Readouts[i]}
		if i >= len(o) {
			continue // the readout was not made: nothing follows from it
		}
		for lane, l := range o[i] {
			if l != Unclear {
				out[i].mask |= 3 << (2 * uint(lane))
				out[i].levels |= uint64(l) << (2 * uint(lane))
			}
		}
	}
	return out
}
