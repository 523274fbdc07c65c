package program

import (
	"math/bits"

	"facetd.example/chipmodel"
)

// listeners counts the chips that listen under words, which grouping does for every pair of chips. Chips have few
// inputs, so a word of few lines has few subsets that a chip could be wired to: where they are much fewer than the
// chips, they are looked up instead.
type listeners struct {
	wires []chipmodel.LineSet
	// at counts the chips of each set of lines, sizes how many lines such sets have.
	at    map[chipmodel.LineSet]int
	sizes []int
}

func newListeners(a *chipmodel.Array) *listeners {
	l := &listeners{at: make(map[chipmodel.LineSet]int, len(a.Chips))}
	var sizes chipmodel.LineSet
	for i := range a.Chips {
		w := a.Chips[i].Wires
		l.wires = append(l.wires, w)
		l.at[w]++
		sizes |= 1 << min(w.Len(), 63)
	}
	for s := range 64 {
		if sizes.Has(s) {
			l.sizes = append(l.sizes, s)
		}
	}
	return l
}

// costOfLookup is how many chips can be scanned in the time of one look-up.
const costOfLookup = 16

// count returns how many chips listen under a word.
func (l *listeners) count(word chipmodel.LineSet) int {
	sets := 0
	for _, s := range l.sizes {
		if sets += choose(word.Len(), s); sets > len(l.wires)/costOfLookup {
			return l.scan(word)
		}
	}
	n := 0
	for _, s := range l.sizes {
		subsets(word, s, func(set chipmodel.LineSet) { n += l.at[set] })
	}
	return n
}

func (l *listeners) scan(word chipmodel.LineSet) int {
	n := 0
	for _, w := range l.wires {
		if w.Within(word) {
			n++
		}
	}
	return n
}

// choose is the number of sets of k of n things, capped.
func choose(n, k int) int {
	const most = 1 << 20
	c := 1
	for i := range k {
		if c = c * (n - i) / (i + 1); c > most {
			return most
		}
	}
	return c
}

// subsets visits every set of k lines of a word, in the order of Gosper's hack (HAKMEM
// 175, 1972; seen in an account of it): the next larger number with as many bits set.
func subsets(word chipmodel.LineSet, k int, visit func(chipmodel.LineSet)) {
	n := word.Len()
	if k > n || n > 32 {
		return
	}
	var lines [32]chipmodel.LineSet
	for i, w := 0, uint64(word); w != 0; i, w = i+1, w&(w-1) {
		lines[i] = chipmodel.LineSet(w & -w)
	}
	if k == 0 {
		visit(0)
		return
	}
	for v := uint64(1)<<k - 1; v < 1<<n; {
		var set chipmodel.LineSet
		for w := v; w != 0; w &= w - 1 {
			set |= lines[bits.TrailingZeros64(w)]
		}
		visit(set)
		low := v & -v
		carry := v + low
		v = (v^carry)>>2/low | carry
	}
}

// exactly reports whether one word reaches exactly these chips.
func (l *listeners) exactly(chips ...int) bool {
	var word chipmodel.LineSet
	for _, c := range chips {
		word |= l.wires[c]
	}
	return l.count(word) == len(chips) // each of them listens
}
