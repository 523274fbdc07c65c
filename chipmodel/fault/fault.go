// Package fault is what can be wrong with the wiring of an array, with its chips and its lanes: which chips then really
// listen, and which do not drive. A simulated array has such faults; a probe finds them.
package fault

import (
	"fmt"
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// Set is a set of faults of an array. It is not changed once it was made.
type Set struct {
	// Dead chips do not drive. LaneOpen lanes show nothing of their chips, LaneSaturated ones full scale.
	Dead, LaneOpen, LaneSaturated map[int]bool

	messages                   []*facetdv1.Fault
	swaps                      [][2]int // in the order given
	stuckActive, stuckInactive chipmodel.LineSet
	inputs                     map[[2]int]brokenInput // by chip and input
}

// New makes a set of faults of an array. Several swaps act one after another in the order given; an open input that is
// shorted to a line follows that line alone; a short makes an input active with either line. The error is
// invalid.Errors with everything that is wrong.
func New(a *chipmodel.Array, faults []*facetdv1.Fault) (*Set, error) {
	c := checker{a: a, f: &Set{
		inputs: map[[2]int]brokenInput{}, Dead: map[int]bool{}, LaneOpen: map[int]bool{}, LaneSaturated: map[int]bool{},
		messages: slices.Clone(faults),
	}}
	for i, m := range faults {
		c.path = fmt.Sprintf("faults[%d]", i)
		c.add(m)
	}
	if err := c.m.Err(); err != nil {
		return nil, err
	}
	return c.f, nil
}

// Any reports whether there is any fault.
func (f *Set) Any() bool { return len(f.messages) > 0 }

// Messages are the faults as they were given.
func (f *Set) Messages() []*facetdv1.Fault { return slices.Clone(f.messages) }

// brokenInput is a select input with faults.
type brokenInput struct {
	open, pull bool
	shorted    chipmodel.LineSet
}

// Reach returns the chips that really listen, by ascending index.
func (f *Set) Reach(a *chipmodel.Array, word chipmodel.LineSet) []int {
	if !f.Any() {
		return a.Reach(word)
	}
	active := f.active(word)
	var out []int
	for c := range a.Chips {
		listens := true
		for i, line := range a.Chips[c].Selects {
			listens = listens && f.input(c, i, line, active)
		}
		if listens {
			out = append(out, c)
		}
	}
	return out
}

// active is which lines are active at the chips when the host drives a word.
func (f *Set) active(word chipmodel.LineSet) chipmodel.LineSet {
	for _, s := range f.swaps {
		x, y := word.Has(s[0]), word.Has(s[1])
		word &^= 1<<uint(s[0]) | 1<<uint(s[1])
		if y {
			word |= 1 << uint(s[0])
		}
		if x {
			word |= 1 << uint(s[1])
		}
	}
	return (word | f.stuckActive) &^ f.stuckInactive
}

func (f *Set) input(chip, input, line int, active chipmodel.LineSet) bool {
	broken := f.inputs[[2]int{chip, input}]
	switch {
	case !broken.open:
		return active.Has(line) || broken.shorted&active != 0
	case broken.shorted != 0:
		return broken.shorted&active != 0
	}
	return broken.pull
}
