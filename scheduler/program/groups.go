package program

import (
	"fmt"
	"slices"

	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// union is the smallest word under which all chips listen.
func union(a *chipmodel.Array, chips []int) chipmodel.LineSet {
	var w chipmodel.LineSet
	for _, c := range chips {
		w |= a.Chips[c].Wires
	}
	return w
}

// readGroups splits chips into groups that can each be read under one word, one chip per lane, into as few as it finds.
// Lanes are matched one after another, which gives the fewest groups with two lanes; with more that is a hard problem.
// Where a chip cannot be read without others that listen, they drive lanes of their own, which are not converted.
// unread is a chip that cannot be read without two that drive one lane, or -1.
func readGroups(a *chipmodel.Array, l *listeners, chips []int) (groups [][]int, unread int) {
	for lane := range a.Lanes {
		var next []int
		for _, c := range chips {
			if a.Chips[c].Lane == lane {
				next = append(next, c)
			}
		}
		groups = matchLane(l, groups, next)
	}
	for _, g := range groups {
		if !l.exactly(g...) && !oneEach(a, a.Reach(union(a, g))) {
			return nil, g[0]
		}
		slices.Sort(g)
	}
	slices.SortFunc(groups, func(x, y []int) int { return x[0] - y[0] })
	return groups, -1
}

// oneEach reports whether no two of some chips are on one lane.
func oneEach(a *chipmodel.Array, chips []int) bool {
	driven := make([]bool, len(a.Lanes))
	for _, c := range chips {
		if lane := a.Chips[c].Lane; driven[lane] {
			return false
		} else {
			driven[lane] = true
		}
	}
	return true
}

// Unreadable lists the chips of an array that cannot be read at all: every word that selects one selects two chips of
// one lane. An array of wiring alone has none, as its lanes are not known.
func Unreadable(a *chipmodel.Array) []int {
	var out []int
	for c := range a.Chips {
		if !a.WiringOnly && !oneEach(a, a.Reach(a.Chips[c].Wires)) {
			out = append(out, c)
		}
	}
	return out
}

// touches are chips and those that listen whenever one of them does, ascending.
func touches(a *chipmodel.Array, chips []int) []int {
	out := slices.Clone(chips)
	for _, c := range chips {
		if reached := a.Reach(a.Chips[c].Wires); len(reached) > 1 {
			out = append(out, reached...)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// besides are the chips of a reach that are not read; nil where all are.
func besides(reach, read []int) []int {
	var out []int
	for _, c := range reach {
		if !slices.Contains(read, c) {
			out = append(out, c)
		}
	}
	return out
}

// beside refuses a task whose commands would reach a chip of another class with registers that they write: the values
// mean something else there.
func beside(a *chipmodel.Array, t *Task) error {
	for _, c := range t.Touches {
		class := a.Chips[c].Class
		if class == t.Class {
			continue
		}
		for reg := range Wishes(t) {
			if class.HasRegister(reg) {
				return &SelectError{fmt.Sprintf("writing %s of class %s reaches chip %s as well, which is of class "+
					"%s and "+
					"listens whenever one of the task's chips does", bus.RegisterName(reg), t.Class.Name,
					a.Chips[c].Name,
					class.Name)}
			}
		}
	}
	return nil
}

// matchLane adds the chips of one more lane to the groups, each to one that can
// take it; those left over become groups of their own.
func matchLane(l *listeners, groups [][]int, chips []int) [][]int {
	var both []int
	m := newMatching(len(groups), len(chips), func(g, i int) bool {
		both = append(append(both[:0], groups[g]...), chips[i])
		return l.exactly(both...)
	})
	// Groups that cannot be read by themselves come first: a member that is matched stays matched, whatever comes
	// after.
	for g := range groups {
		if !l.exactly(groups[g]...) {
			m.matchLeft(g)
		}
	}
	for _, alone := range []bool{false, true} {
		for i, c := range chips {
			if l.exactly(c) == alone {
				m.matchRight(i)
			}
		}
	}
	for g, i := range m.left {
		if i >= 0 {
			groups[g] = append(groups[g], chips[i])
		}
	}
	for i, g := range m.right {
		if g < 0 {
			groups = append(groups, []int{chips[i]})
		}
	}
	return groups
}

// matching pairs members of two sides, grown by augmenting paths (Berge 1957, from memory): a
// member that has a partner keeps having one.
type matching struct {
	left, right []int // partner, or -1
	pair        func(l, r int) bool
	known       []int8 // of each pair: 0 not tried yet, 1 yes, -1 no
}

func newMatching(left, right int, pair func(l, r int) bool) *matching {
	return &matching{
		left: slices.Repeat([]int{-1}, left), right: slices.Repeat([]int{-1}, right),
		pair: pair, known: make([]int8, left*right),
	}
}

// pairs reports whether two members may be partners.
func (m *matching) pairs(l, r int) bool {
	k := &m.known[l*len(m.right)+r]
	if *k == 0 {
		*k = -1
		if m.pair(l, r) {
			*k = 1
		}
	}
	return *k > 0
}

// matchLeft finds a partner for l if it has none and one can be found.
func (m *matching) matchLeft(l int) {
	if m.left[l] < 0 {
		augment(l, m.left, m.right, m.pairs, make([]bool, len(m.right)))
	}
}

// matchRight finds a partner for r if it has none and one can be found.
func (m *matching) matchRight(r int) {
	if m.right[r] < 0 {
		augment(r, m.right, m.left, func(r, l int) bool { return m.pairs(l, r) }, make([]bool, len(m.left)))
	}
}

// augment finds a partner for x on the other side: first one that is free, then one whose partner can find another. It
// begins at the member of the same rank, which in regular wirings fits at once.
func augment(x int, mine, theirs []int, pair func(x, y int) bool, tried []bool) bool {
	at := func(k int) int { return (x + k) % len(theirs) }
	for k := range theirs {
		if y := at(k); theirs[y] < 0 && !tried[y] && pair(x, y) {
			mine[x], theirs[y] = y, x
			return true
		}
	}
	for k := range theirs {
		y := at(k)
		if tried[y] || !pair(x, y) {
			continue
		}
		tried[y] = true
		if augment(theirs[y], mine, theirs, pair, tried) {
			mine[x], theirs[y] = y, x
			return true
		}
	}
	return false
}
