package selectword

import (
	"math/bits"
	"slices"

	"facetd.example/chipmodel"
)

// instance is a covering problem without chips: elements to be covered by words,
// none of which may hold a forbidden set.
type instance struct {
	elems     []chipmodel.LineSet // no one within another, after reduction
	forbidden []chipmodel.LineSet // wires of chips outside the target, smallest ones only
	lines     chipmodel.LineSet   // of the forbidden sets
	allSets   []uint64            // the set of all forbidden sets
	touching  []uint64            // by line: the forbidden sets that need it
	pulls     []pull              // of a partition: chips that bring others with them
	once      bool
	cost      func(chipmodel.LineSet) int64
	work      int // left
}

// pull is a chip that every partition has in one word with others: a word that
// reaches it must hold the lines of all of them.
type pull struct{ chip, all chipmodel.LineSet }

// solution is words, and a lower bound on the cost of any others.
type solution struct {
	words       []chipmodel.LineSet
	cost, bound int64
}

func newInstance(w *Wiring, inside []bool, opt Options) *instance {
	in := &instance{once: opt.Once, cost: opt.Cost, work: opt.Work}
	var lines chipmodel.LineSet
	for chip, wires := range w.wires {
		if inside[chip] {
			in.elems = append(in.elems, wires)
			lines |= wires
		}
	}
	if in.work <= 0 { // the gap of large targets rarely closes: do not keep the caller waiting
		in.work = defaultWork * 64 / max(64, len(in.elems))
	}
	var outside []chipmodel.LineSet
	for chip, wires := range w.wires {
		if !inside[chip] && wires.Within(lines) {
			outside = append(outside, wires)
		}
	}
	in.forbidden = minimalSets(outside)
	in.lines, in.allSets = unionOf(in.forbidden), fullSet(len(in.forbidden))
	in.touching = touching(in.forbidden)
	return in
}

// allowed reports whether a word holds no forbidden set.
func (in *instance) allowed(word chipmodel.LineSet) bool {
	stride := len(in.allSets)
	for k, left := range in.allSets { // left over are sets with no line off
		for off := in.lines &^ word; off != 0; off &= off - 1 {
			left &^= in.touching[off.Lowest()*stride+k]
		}
		if left != 0 {
			return false
		}
	}
	return true
}

// fit adds what a word must hold besides, and reports whether it is allowed then.
func (in *instance) fit(word chipmodel.LineSet) (chipmodel.LineSet, bool) {
	for again := len(in.pulls) > 0; again; {
		again = false
		for _, p := range in.pulls {
			if p.chip.Within(word) && !p.all.Within(word) {
				word |= p.all
				again = true
			}
		}
	}
	return word, in.allowed(word)
}

// charge takes work and reports whether any is left.
func (in *instance) charge(work int) bool {
	in.work -= work
	return in.work > 0
}

// solve splits the elements into parts that share no word, solves each and adds
// up.
func (in *instance) solve() (solution, error) {
	var sum solution
	parts := in.parts()
	left := in.work
	for i, p := range parts {
		in.work = left / (len(parts) - i) // what early parts leave, later ones may use
		given := in.work
		s, err := in.solvePart(p)
		if err != nil {
			return solution{}, err
		}
		left -= given - max(0, in.work)
		sum.words = append(sum.words, s.words...)
		sum.cost += s.cost
		sum.bound += s.bound
	}
	return sum, nil
}

// part is a set of elements linked by pairs that one word can hold.
type part struct {
	elems    []chipmodel.LineSet
	fits     [][]uint64        // by element: those it fits with in one word, itself included
	stride   int               // uint64s in a set of elements
	lines    chipmodel.LineSet // of all elements
	full     []uint64          // the set of all elements
	touching []uint64          // by line: the elements that need it
	spare    []uint64          // room for the sets of columns to come
}

// partOf returns a part of which fits is not yet filled in.
func partOf(elems []chipmodel.LineSet) part {
	return part{elems: elems, stride: (len(elems) + 63) / 64, lines: unionOf(elems), full: fullSet(len(elems)),
		touching: touching(elems)}
}

// touching returns, one after the other for each line up to the last in use, the set
// of those that need the line.
func touching(sets []chipmodel.LineSet) []uint64 {
	stride := (len(sets) + 63) / 64
	by := make([]uint64, stride*bits.Len64(uint64(unionOf(sets))))
	for i, s := range sets {
		for ; s != 0; s &= s - 1 {
			setBit(by[s.Lowest()*stride:], i)
		}
	}
	return by
}

// parts splits the elements along the pairs that fit in one word. Every set that
// fits in one word is pairwise fitting, so no word spans two parts.
func (in *instance) parts() []part {
	n := len(in.elems)
	fits := make([][]int, n)
	room := make([]int, n*n)
	for i := range fits {
		fits[i] = room[i*n:][:0:n]
	}
	by, full := touching(in.elems), fullSet(n)
	for i, a := range in.elems {
		fitting := in.partners(a, by, full)
		for j := range members(fitting) {
			if j <= i {
				continue
			}
			ok := len(in.pulls) == 0
			if !ok {
				_, ok = in.fit(a | in.elems[j])
			}
			if ok {
				fits[i] = append(fits[i], j)
				fits[j] = append(fits[j], i)
			}
		}
	}
	in.charge(n * n / 64)
	var parts []part
	seen := make([]bool, n)
	for i := range n {
		if seen[i] {
			continue
		}
		members := []int{i}
		seen[i] = true
		for k := 0; k < len(members); k++ {
			for _, j := range fits[members[k]] {
				if !seen[j] {
					seen[j] = true
					members = append(members, j)
				}
			}
		}
		slices.Sort(members)
		parts = append(parts, in.newPart(members, fits))
	}
	return parts
}

// partners returns the elements that fit in one word with these lines: all but those that have every line that some
// forbidden set still lacks.
func (in *instance) partners(lines chipmodel.LineSet, by, full []uint64) []uint64 {
	fitting := slices.Clone(full)
	union := chipmodel.LineSet(1)<<(len(by)/len(full)) - 1 // lines that elements have, and some below
	for _, f := range in.forbidden {
		lacks := f &^ lines
		if !lacks.Within(union) {
			continue
		}
		for k := range fitting {
			hold := full[k]
			for rest := lacks; rest != 0; rest &= rest - 1 {
				hold &= by[rest.Lowest()*len(full)+k]
			}
			fitting[k] &^= hold
		}
	}
	return fitting
}

func (in *instance) newPart(members []int, fits [][]int) part {
	elems := make([]chipmodel.LineSet, len(members))
	for i, m := range members {
		elems[i] = in.elems[m]
	}
	p := partOf(elems)
	p.fits = make([][]uint64, 0, len(members))
	rows := make([]uint64, len(members)*p.stride)
	for i, m := range members {
		row := rows[i*p.stride:][:p.stride:p.stride]
		setBit(row, i)
		for _, j := range fits[m] {
			k, _ := slices.BinarySearch(members, j)
			setBit(row, k)
		}
		p.fits = append(p.fits, row)
	}
	return p
}

func unionOf(words []chipmodel.LineSet) chipmodel.LineSet {
	var u chipmodel.LineSet
	for _, w := range words {
		u |= w
	}
	return u
}
