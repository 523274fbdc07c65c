package wiring

import (
	"fmt"
	"slices"
	"strings"
)

// maxExhaustive limits the chips of an exhaustive search; beyond, it would not end.
const maxExhaustive = 10

// exhaustive tries all wirings, chip by chip. What the groups cost with the chips wired so far is a lower bound on what
// they will cost: more chips can only be in the way. Of wirings that differ by a renaming of unused lines or of
// interchangeable chips, only the first in lexicographic order is tried (of both at once, as that one is the first
// under either).
type exhaustive struct {
	spec  *Spec
	t     *trial
	order []int  // chips in the order they are wired
	alike []int  // by position: an earlier interchangeable chip, or -1
	fixed []word // by chip
	used  word   // lines that are not interchangeable
	sets  []word // all sets of lines, in lexicographic order
	best  int64
	wires []word // of the best
	goal  int64
}

// exhaust searches for a wiring that costs less than best. complete says that no wiring is better than what it returns
// (nil: none is better than best).
func exhaust(spec *Spec, best, goal int64, limit int) (wires []word, complete bool) {
	if len(spec.Chips) > maxExhaustive || choose(spec.Lines, spec.Inputs) > 1<<12 {
		return nil, false
	}
	work := limit
	e := &exhaustive{spec: spec, t: newTrial(spec, make([]word, len(spec.Chips)), &work), fixed: spec.fixed(),
		sets: lexicographic(1<<12, spec.Lines, spec.Inputs), best: best, goal: goal}
	for _, f := range e.fixed {
		e.used |= f
	}
	e.arrange()
	complete = e.wire(0, e.used)
	return e.wires, complete
}

// arrange puts the chips that are wanted most first, so that the lower bound rises early.
func (e *exhaustive) arrange() {
	weight := make([]int64, len(e.spec.Chips))
	for _, g := range e.spec.Groups {
		for _, c := range g.Chips {
			weight[c] += g.Weight
		}
	}
	for c := range weight {
		e.order = append(e.order, c)
	}
	slices.SortStableFunc(e.order, func(a, b int) int { return int(max(-1, min(1, weight[b]-weight[a]))) })
	for i, c := range e.order {
		alike := -1
		for _, earlier := range e.order[:i] {
			if e.interchangeable(c, earlier) {
				alike = earlier
			}
		}
		e.alike = append(e.alike, alike)
	}
}

// interchangeable reports whether swapping two chips changes nothing in the
// specification.
func (e *exhaustive) interchangeable(a, b int) bool {
	if e.spec.Chips[a].Lane != e.spec.Chips[b].Lane || e.fixed[a] != e.fixed[b] {
		return false
	}
	swapped := func(c int) int {
		switch c {
		case a:
			return b
		case b:
			return a
		}
		return c
	}
	same := func(c int) int { return c }
	return e.signature(same) == e.signature(swapped)
}

func (e *exhaustive) signature(rename func(int) int) string {
	groups := make([]string, len(e.spec.Groups))
	for i, g := range e.spec.Groups {
		chips := make([]int, len(g.Chips))
		for k, c := range g.Chips {
			chips[k] = rename(c)
		}
		slices.Sort(chips)
		groups[i] = fmt.Sprint(chips, g.Weight, g.Once)
	}
	slices.Sort(groups)
	return strings.Join(groups, ";")
}

// wire tries all wires of the chip at a position.
func (e *exhaustive) wire(at int, used word) bool {
	if e.best == e.goal {
		return true
	}
	if at == len(e.order) {
		e.best, e.wires = e.t.cost(), slices.Clone(e.t.wires)
		return true
	}
	chip := e.order[at]
	for _, set := range e.sets {
		if !e.fixed[chip].Within(set) || !lowestUnused(set&^used, used) {
			continue
		}
		if a := e.alike[at]; a >= 0 && before(set, e.t.wires[a]) {
			continue
		}
		if *e.t.work <= 0 {
			return false
		}
		mark := len(e.t.log)
		e.t.rewire(chip, set)
		complete := e.t.cost() >= e.best || e.wire(at+1, used|set)
		e.t.revert(mark)
		if !complete {
			return false
		}
	}
	return true
}

// lowestUnused reports whether fresh lines are the first of those not in use.
func lowestUnused(fresh, used word) bool {
	free := ^used
	for range fresh.Len() {
		low := free & -free
		if fresh&low == 0 {
			return false
		}
		free &^= low
	}
	return true
}

// before compares two sets of equal size in lexicographic order of their lines.
func before(a, b word) bool {
	differ := a ^ b
	return a&(differ&-differ) != 0
}
