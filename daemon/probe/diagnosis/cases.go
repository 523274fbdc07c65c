package diagnosis

import (
	"fmt"
	"slices"
)

// Case is one way to explain what was seen: at each of its places one of the faults listed there is present. Faults of
// one place show the same in every readout that was made.
type Case struct {
	Places [][]Fault
}

// minimal leaves out, of sets of one or two faults, those of two that hold a fault which explains everything by itself.
// hidden are the faults that such sets add: each may be there as well, and nothing would show it.
func minimal(sets [][]Fault) (least [][]Fault, hidden []Fault) {
	alone := map[Fault]bool{}
	for _, set := range sets {
		if len(set) == 1 {
			alone[set[0]] = true
			least = append(least, set)
		}
	}
	behind := map[Fault]bool{}
	for _, set := range sets {
		if len(set) != 2 {
			continue
		}
		f, g := set[0], set[1]
		if !alone[f] && !alone[g] {
			least = append(least, set)
			continue
		}
		for _, h := range set {
			if !alone[h] && !behind[h] {
				behind[h] = true
				hidden = append(hidden, h)
			}
		}
	}
	slices.SortFunc(hidden, Fault.Compare)
	return least, hidden
}

// casesOf puts minimal sets of faults together: all single faults are one case of one place. Pairs are the edges of a
// graph; faults with the same partners are alike, and between two kinds of alike faults either all pairs are there or
// none, so that each two kinds make one case of two places.
func casesOf(least [][]Fault) []Case {
	var singles []Fault
	partners := map[Fault][]Fault{}
	for _, set := range least {
		switch len(set) {
		case 1:
			singles = append(singles, set[0])
		case 2:
			partners[set[0]] = append(partners[set[0]], set[1])
			partners[set[1]] = append(partners[set[1]], set[0])
		}
	}
	var out []Case
	if len(singles) > 0 {
		slices.SortFunc(singles, Fault.Compare)
		out = append(out, Case{Places: [][]Fault{singles}})
	}
	kindOf, kinds := alike(partners)
	done := map[[2]int]bool{}
	for _, set := range least {
		if len(set) != 2 {
			continue
		}
		pair := [2]int{kindOf[set[0]], kindOf[set[1]]}
		if pair[0] > pair[1] {
			pair[0], pair[1] = pair[1], pair[0]
		}
		if !done[pair] {
			done[pair] = true
			out = append(out, Case{Places: [][]Fault{kinds[pair[0]], kinds[pair[1]]}})
		}
	}
	return out
}

// alike groups faults that have the same partners, in the order of their first.
func alike(partners map[Fault][]Fault) (kindOf map[Fault]int, kinds [][]Fault) {
	var all []Fault
	for f := range partners {
		slices.SortFunc(partners[f], Fault.Compare)
		all = append(all, f)
	}
	slices.SortFunc(all, Fault.Compare)
	kindOf = map[Fault]int{}
	index := map[string]int{}
	for _, f := range all {
		key := fmt.Sprint(partners[f])
		i, known := index[key]
		if !known {
			i = len(kinds)
			index[key] = i
			kinds = append(kinds, nil)
		}
		kindOf[f] = i
		kinds[i] = append(kinds[i], f)
	}
	return kindOf, kinds
}

// certain are the faults that are in every one of some sets, which must not be empty.
func certain(sets [][]Fault) []Fault {
	out := slices.Clone(sets[0])
	for _, set := range sets[1:] {
		out = slices.DeleteFunc(out, func(f Fault) bool { return !slices.Contains(set, f) })
	}
	return out
}
