package selectword

import (
	"cmp"
	"slices"

	"facetd.example/chipmodel"
)

// maximalSets keeps each set once, and only those within no other set. A word
// that reaches the larger of two chips reaches the smaller one too, so a cover
// need only look at the largest.
func maximalSets(sets []chipmodel.LineSet) []chipmodel.LineSet {
	bySize := slices.Clone(sets)
	slices.SortFunc(bySize, func(a, b chipmodel.LineSet) int { return cmp.Or(b.Len()-a.Len(), cmp.Compare(a, b)) })
	var keep []chipmodel.LineSet
	for _, s := range slices.Compact(bySize) {
		if !slices.ContainsFunc(keep, s.Within) {
			keep = append(keep, s)
		}
	}
	slices.Sort(keep)
	return keep
}

// minimalSets keeps each set once, and only those that hold no other set. A word
// that misses the smaller of two forbidden chips misses the larger one too.
func minimalSets(sets []chipmodel.LineSet) []chipmodel.LineSet {
	bySize := slices.Clone(sets)
	slices.SortFunc(bySize, func(a, b chipmodel.LineSet) int { return cmp.Or(a.Len()-b.Len(), cmp.Compare(a, b)) })
	var keep []chipmodel.LineSet
	for _, s := range slices.Compact(bySize) {
		if !slices.ContainsFunc(keep, func(k chipmodel.LineSet) bool { return k.Within(s) }) {
			keep = append(keep, s)
		}
	}
	slices.Sort(keep)
	return keep
}

// atoms merges target chips that every partition has in one word, and returns the lines of each merged set. Where
// wires(a) is within wires(b), each word that reaches b reaches a; as a is reached once, all such b are in the word of
// a. A word that must hold several chips holds all chips whose wires lie in their union, and so on. What is left when
// nothing more merges is itself a partition, unless a merged word reaches outside the target: then there is none.
func (w *Wiring) atoms(in *instance, inside []bool) ([]chipmodel.LineSet, error) {
	var chips []int
	for chip := range w.wires {
		if inside[chip] {
			chips = append(chips, chip)
		}
	}
	merged := w.merge(chips)
	words := make([]chipmodel.LineSet, len(merged))
	for i, group := range merged {
		words[i] = w.Union(group)
		if !in.allowed(words[i]) {
			return nil, &ClashError{Chips: w.explain(in, group)}
		}
		if len(group) > 1 {
			for _, chip := range group {
				in.pulls = append(in.pulls, pull{w.wires[chip], words[i]})
			}
		}
	}
	slices.Sort(words)
	return words, nil
}

// merge returns the finest grouping of the chips in which no chip's wires lie in
// the union of another group.
func (w *Wiring) merge(chips []int) [][]int {
	groups := make([][]int, len(chips))
	unions := make([]chipmodel.LineSet, len(chips))
	for i, chip := range chips {
		groups[i], unions[i] = []int{chip}, w.wires[chip]
	}
	for again := true; again; {
		again = false
		for i := 0; i < len(groups); i++ {
			for j := 0; j < len(groups); j++ {
				if i == j || !w.anyWithin(groups[j], unions[i]) {
					continue
				}
				groups[i] = append(groups[i], groups[j]...)
				unions[i] |= unions[j]
				groups = slices.Delete(groups, j, j+1)
				unions = slices.Delete(unions, j, j+1)
				if j < i {
					i--
				}
				j, again = -1, true
			}
		}
	}
	return groups
}

func (w *Wiring) anyWithin(chips []int, word chipmodel.LineSet) bool {
	return slices.ContainsFunc(chips, func(c int) bool { return w.wires[c].Within(word) })
}

// explain drops chips from a clashing group for as long as the rest still clashes by itself. The rest is a proof for
// the whole, since a partition of the target is one of each part of it, and short enough for a person to check.
func (w *Wiring) explain(in *instance, group []int) []int {
	clashes := func(chips []int) bool {
		return slices.ContainsFunc(w.merge(chips), func(g []int) bool { return !in.allowed(w.Union(g)) })
	}
	rest := slices.Sorted(slices.Values(group))
	for step := max(1, len(rest)/2); ; step /= 2 { // large bites first
		for i := 0; i+step <= len(rest); {
			if without := slices.Delete(slices.Clone(rest), i, i+step); clashes(without) {
				rest = without
			} else {
				i += step
			}
		}
		if step == 1 {
			return rest
		}
	}
}
