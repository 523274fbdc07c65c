package scheduler

import (
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/selectword"
)

// step is one select word and the chips that listen under it.
type step struct {
	word  chipmodel.LineSet
	reach []int
}

// words finds select words for targets and remembers them.
type words struct {
	a        *chipmodel.Array
	resolver *selectword.Resolver
}

func newWords(a *chipmodel.Array) *words {
	wires := make([]selectword.Word, len(a.Chips))
	for i := range a.Chips {
		wires[i] = selectword.Word(a.Chips[i].Wires)
	}
	return &words{a: a, resolver: selectword.NewResolver(selectword.New(wires), selectword.Options{})}
}

// cover returns words whose reaches together are exactly the target; once asks
// that no chip is reached twice.
func (w *words) cover(target []int, once bool) ([]step, error) {
	c, err := w.resolver.Cover(target, once)
	if err != nil {
		return nil, err
	}
	steps := make([]step, len(c.Words))
	for i, word := range c.Words {
		steps[i] = step{word: chipmodel.LineSet(word), reach: w.a.Reach(chipmodel.LineSet(word))}
	}
	return steps, nil
}

// Cover returns the fewest select words that found reach exactly a target, in the
// schema's form; once asks that no chip is reached twice, as strobes must be.
// optimal says that no fewer words exist; no cover has fewer than bound. Errors:
// *selectword.UnreachableError, *selectword.ClashError.
func Cover(a *chipmodel.Array, target []int, once bool) (found []*facetdv1.SelectWord, optimal bool, bound int, err error) {
	c, err := newWords(a).resolver.Cover(target, once)
	if err != nil {
		return nil, false, 0, err
	}
	for _, word := range c.Words {
		found = append(found, SelectWord(a, chipmodel.LineSet(word)))
	}
	return found, c.Optimal, int(c.LowerBound), nil
}

// SelectWord returns a word and its reach in the schema's form.
func SelectWord(a *chipmodel.Array, word chipmodel.LineSet) *facetdv1.SelectWord {
	return &facetdv1.SelectWord{Lines: a.LineNames(word), Reaches: a.ChipNames(a.Reach(word))}
}

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
	sorted := slices.Sorted(slices.Values(chips))
	return slices.Equal(a.Reach(union(a, chips)), sorted)
}

// readGroups splits chips into groups that can each be read under one word, one
// chip a lane, as few as found. Lanes are matched one after another by augmenting
// paths: with two lanes no fewer groups exist. unread is a chip that cannot be
// read without another one listening, or -1.
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
	takes := make([][]bool, len(chips))
	for i, c := range chips {
		takes[i] = make([]bool, len(groups))
		for g := range groups {
			takes[i][g] = readable(a, append(slices.Clone(groups[g]), c))
		}
	}
	chipOf := make([]int, len(groups)) // chip matched to a group
	groupOf := make([]int, len(chips))
	for i := range chipOf {
		chipOf[i] = -1
	}
	for i := range groupOf {
		groupOf[i] = -1
	}
	var fromChip func(i int, tried []bool) bool
	fromChip = func(i int, tried []bool) bool {
		for g := range groups {
			if !takes[i][g] || tried[g] {
				continue
			}
			tried[g] = true
			if chipOf[g] < 0 || fromChip(chipOf[g], tried) {
				chipOf[g], groupOf[i] = i, g
				return true
			}
		}
		return false
	}
	var fromGroup func(g int, tried []bool) bool
	fromGroup = func(g int, tried []bool) bool {
		for i := range chips {
			if !takes[i][g] || tried[i] {
				continue
			}
			tried[i] = true
			if groupOf[i] < 0 || fromGroup(groupOf[i], tried) {
				chipOf[g], groupOf[i] = i, g
				return true
			}
		}
		return false
	}
	// Those that cannot be read apart first: once matched, nobody loses its partner.
	for g := range groups {
		if !readable(a, groups[g]) && chipOf[g] < 0 {
			fromGroup(g, make([]bool, len(chips)))
		}
	}
	for _, alone := range []bool{false, true} {
		for i, c := range chips {
			if groupOf[i] < 0 && readable(a, []int{c}) == alone {
				fromChip(i, make([]bool, len(groups)))
			}
		}
	}
	out := make([][]int, 0, len(groups)+len(chips))
	for g := range groups {
		if chipOf[g] >= 0 {
			groups[g] = append(groups[g], chips[chipOf[g]])
		}
		out = append(out, groups[g])
	}
	for i, c := range chips {
		if groupOf[i] < 0 {
			out = append(out, []int{c})
		}
	}
	return out
}
