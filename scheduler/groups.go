package scheduler

import (
	"slices"

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

// readable reports whether one word reaches exactly these chips.
func readable(a *chipmodel.Array, chips []int) bool {
	word := union(a, chips)
	reached := 0
	for c := range a.Chips {
		if a.Chips[c].Wires.Within(word) {
			if reached++; reached > len(chips) {
				return false
			}
		}
	}
	return reached == len(chips) // each of them listens
}

// readGroups splits chips into groups that can each be read under one word, one
// chip a lane, as few as found. Lanes are matched one after another: with two lanes
// no fewer groups exist. unread is a chip that cannot be read without another one
// listening, or -1.
func readGroups(a *chipmodel.Array, chips []int) (groups [][]int, unread int) {
	for lane := range a.Lanes {
		var next []int
		for _, c := range chips {
			if a.Chips[c].Lane == lane {
				next = append(next, c)
			}
		}
		groups = matchLane(a, groups, next)
	}
	for _, g := range groups {
		if !readable(a, g) {
			return nil, g[0]
		}
		slices.Sort(g)
	}
	slices.SortFunc(groups, func(x, y []int) int { return x[0] - y[0] })
	return groups, -1
}

// matchLane adds the chips of one more lane to the groups, each to one that can
// take it; those left over become groups of their own.
func matchLane(a *chipmodel.Array, groups [][]int, chips []int) [][]int {
	m := newMatching(len(groups), len(chips), func(g, i int) bool {
		return readable(a, append(slices.Clone(groups[g]), chips[i]))
	})
	// Those that cannot be read apart come first: once matched, nobody loses its
	// partner.
	for g := range groups {
		if !readable(a, groups[g]) {
			m.matchLeft(g)
		}
	}
	for _, alone := range []bool{false, true} {
		for i, c := range chips {
			if readable(a, []int{c}) == alone {
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

// matching pairs members of two sides, grown by augmenting paths (Berge 1957): a
// member that has a partner keeps having one.
type matching struct {
	left, right []int // partner, or -1
	pairs       [][]bool
}

func newMatching(left, right int, pair func(l, r int) bool) *matching {
	m := &matching{left: slices.Repeat([]int{-1}, left), right: slices.Repeat([]int{-1}, right)}
	m.pairs = make([][]bool, left)
	for l := range m.pairs {
		m.pairs[l] = make([]bool, right)
		for r := range m.pairs[l] {
			m.pairs[l][r] = pair(l, r)
		}
	}
	return m
}

// matchLeft finds a partner for l if it has none and one can be found.
func (m *matching) matchLeft(l int) {
	if m.left[l] < 0 {
		augment(l, m.left, m.right, func(l, r int) bool { return m.pairs[l][r] }, make([]bool, len(m.right)))
	}
}

// matchRight finds a partner for r if it has none and one can be found.
func (m *matching) matchRight(r int) {
	if m.right[r] < 0 {
		augment(r, m.right, m.left, func(r, l int) bool { return m.pairs[l][r] }, make([]bool, len(m.left)))
	}
}

// augment finds a partner for x among the other side, whose members may look for
// another one.
func augment(x int, mine, theirs []int, pair func(x, y int) bool, tried []bool) bool {
	for y := range theirs {
		if tried[y] || !pair(x, y) {
			continue
		}
		tried[y] = true
		if theirs[y] < 0 || augment(theirs[y], mine, theirs, pair, tried) {
			mine[x], theirs[y] = y, x
			return true
		}
	}
	return false
}
