package selectword

import "slices"

// instance is a covering problem without chips: elements to be covered by words,
// none of which may hold a forbidden set.
type instance struct {
	elems     []Word     // no one within another, after reduction
	forbidden []Word     // wires of chips outside the target, smallest ones only
	byLowest  [64][]Word // forbidden sets by their lowest line
	pulls     []pull     // of a partition: chips that bring others with them
	once      bool
	cost      func(Word) int64
	work      int // left
}

// pull is a chip that every partition has in one word with others: a word that
// reaches it must hold the lines of all of them.
type pull struct{ chip, all Word }

// solution is words and a bound on the cost of any other.
type solution struct {
	words       []Word
	cost, bound int64
}

func newInstance(w *Wiring, inside []bool, opt Options) *instance {
	in := &instance{once: opt.Once, cost: opt.Cost, work: opt.Work}
	var lines Word
	for chip, wires := range w.wires {
		if inside[chip] {
			in.elems = append(in.elems, wires)
			lines |= wires
		}
	}
	if in.work <= 0 { // large targets rarely close their gap: do not keep the caller waiting
		in.work = defaultWork * 64 / max(64, len(in.elems))
	}
	var outside []Word
	for chip, wires := range w.wires {
		if !inside[chip] && wires.Within(lines) {
			outside = append(outside, wires)
		}
	}
	in.forbidden = minimalSets(outside)
	for _, f := range in.forbidden {
		in.byLowest[f.lowest()] = append(in.byLowest[f.lowest()], f)
	}
	return in
}

// allowed reports whether a word holds no forbidden set.
func (in *instance) allowed(word Word) bool {
	for rest := word; rest != 0; rest &= rest - 1 {
		for _, f := range in.byLowest[rest.lowest()] {
			if f.Within(word) {
				return false
			}
		}
	}
	return true
}

// fit adds what a word must hold besides, and reports whether it is allowed then.
func (in *instance) fit(word Word) (Word, bool) {
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
	elems  []Word
	fits   [][]uint64 // by element: those it fits with in one word, itself included
	stride int        // uint64s in a set of elements
}

// parts splits the elements along the pairs that fit in one word. Every set that
// fits in one word is pairwise fitting, so no word spans two parts.
func (in *instance) parts() []part {
	n := len(in.elems)
	fits := make([][]int, n)
	for i, a := range in.elems {
		for j := i + 1; j < n; j++ {
			if _, ok := in.fit(a | in.elems[j]); ok {
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

func (in *instance) newPart(members []int, fits [][]int) part {
	p := part{stride: (len(members) + 63) / 64}
	for i, m := range members {
		p.elems = append(p.elems, in.elems[m])
		row := make([]uint64, p.stride)
		setBit(row, i)
		for _, j := range fits[m] {
			k, _ := slices.BinarySearch(members, j)
			setBit(row, k)
		}
		p.fits = append(p.fits, row)
	}
	return p
}

func unionOf(words []Word) Word {
	var u Word
	for _, w := range words {
		u |= w
	}
	return u
}
