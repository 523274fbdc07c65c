package selectword

import (
	"cmp"
	"slices"

	"facetd.example/chipmodel"
)

// tries is how many starts a greedy step on n elements may compare: each takes about n squared steps.
func tries(n int) int { return min(64, max(1, 1<<18/(n*n))) }

// foolingSet returns elements no two of which fit in one word; each needs a word of
// its own. Those that fit with fewest others go first.
func (p *part) foolingSet() []int {
	order, fits := make([]int, len(p.elems)), make([]int, len(p.elems))
	for i := range order {
		order[i], fits[i] = i, count(p.fits[i])
	}
	slices.SortStableFunc(order, func(a, b int) int { return fits[a] - fits[b] })
	taken := make([]uint64, p.stride)
	var set []int
	for _, i := range order {
		if !meets(p.fits[i], taken) {
			setBit(taken, i)
			set = append(set, i)
		}
	}
	return set
}

// grow adds elements to a seed while the word stays allowed and holds no element of avoid: those of want first. Those
// that are not wanted follow in a cover, where a larger word is never worse.
func (in *instance) grow(p *part, seed int, want, avoid []uint64) column {
	word := p.elems[seed]
	var room [4]uint64
	open := append(room[:0], p.fits[seed]...) // what fits with each element added
	for _, liked := range []bool{true, false} {
		for k := range open {
			rest := open[k] &^ avoid[k] & want[k]
			if !liked {
				rest = open[k] &^ avoid[k] &^ want[k]
			}
			for rest != 0 {
				i := k<<6 | lowBit(rest)
				rest &= rest - 1
				if p.elems[i].Within(word) {
					continue
				}
				if bigger, ok := in.fit(word | p.elems[i]); ok && !p.holdsAny(bigger, avoid) {
					word = bigger
					for j, x := range p.fits[i] {
						open[j] &= x
					}
					rest &= open[k]
				}
			}
		}
		if in.once { // elements that are not wanted are those to avoid
			break
		}
	}
	return p.column(word)
}

func (p *part) holdsAny(word chipmodel.LineSet, set []uint64) bool {
	for k, x := range set {
		if x != 0 && p.held(k, word, x) != 0 {
			return true
		}
	}
	return false
}

// grown returns a word grown from each element: together they cover the part.
func (in *instance) grown(p *part) []column {
	full, none := fullSet(len(p.elems)), make([]uint64, p.stride)
	cols := make([]column, len(p.elems))
	for i := range cols {
		cols[i] = in.grow(p, i, full, none)
	}
	return cols
}

// greedyCover takes words that cover most of what is left.
func (in *instance) greedyCover(p *part) []column {
	none := make([]uint64, p.stride)
	return in.greedily(p, func(seed int, left []uint64) column { return in.grow(p, seed, left, none) })
}

// greedily takes, again and again, the word that holds most of what is left.
func (in *instance) greedily(p *part, grow func(seed int, left []uint64) column) []column {
	left := fullSet(len(p.elems))
	var taken []column
	seeds := tries(len(p.elems))
	for !isEmpty(left) {
		var best column
		most, tried := 0, 0
		for i := range members(left) {
			if tried++; tried > seeds {
				break
			}
			spare := p.spare
			c := grow(i, left)
			if n := countBoth(c.has, left); n > most {
				best, most = c, n
			} else if len(spare) >= p.stride {
				p.spare = spare // c is not needed
			}
		}
		remove(left, best.has)
		taken = append(taken, best)
		in.charge(1 + min(tried, seeds)*len(p.elems)/16)
	}
	return taken
}

// greedyPartition makes disjoint words, from scratch and out of the words of a
// cover, and returns the fewest.
func (in *instance) greedyPartition(p *part, cover []chipmodel.LineSet) []column {
	full := fullSet(len(p.elems))
	best := in.greedily(p, func(seed int, left []uint64) column {
		return in.grow(p, seed, left, without(full, left))
	})
	for _, lines := range p.splits() {
		if len(best) > len(cover) {
			if sliced := in.slicewise(p, lines); len(sliced) < len(best) {
				best = sliced
			}
		}
	}
	peel := &peeling{in: in, p: p, most: tries(len(p.elems)), best: best}
	for _, word := range cover {
		peel.cover = append(peel.cover, p.column(word).has)
	}
	peel.from(0, p.full, nil)
	in.charge(peel.orders * len(p.elems) / 16)
	return peel.best
}

// slicewise starts from slices, the elements with the same lines of one colour (a row, a plane), or from single
// elements where a slice is no word, and joins pieces that together make a word.
func (in *instance) slicewise(p *part, colour chipmodel.LineSet) []column {
	byLines := map[chipmodel.LineSet]chipmodel.LineSet{}
	for _, e := range p.elems {
		byLines[e&colour] |= e
	}
	var pieces []column
	for _, lines := range distinct(p.linesOf(colour)) {
		var own []column
		size := 0
		for i, e := range p.elems {
			if e&colour == lines {
				own = append(own, p.column(p.elems[i]))
				size++
			}
		}
		if word, ok := in.fit(byLines[lines]); ok {
			if whole := p.column(word); count(whole.has) == size {
				own = []column{whole}
			}
		}
		pieces = append(pieces, own...)
	}
	tests := tries(len(p.elems)) * len(p.elems) // of whole words; the rest stays apart
	for i := 0; i < len(pieces); i++ {
		for j := i + 1; j < len(pieces) && tests > 0; {
			if joined, ok := in.fit(pieces[i].word | pieces[j].word); ok {
				tests--
				if c := p.column(joined); count(c.has) == count(pieces[i].has)+count(pieces[j].has) {
					pieces[i] = c
					pieces = slices.Delete(pieces, j, j+1)
					continue
				}
			}
			j++
		}
	}
	in.charge(1 + len(p.elems)*len(p.elems)/64)
	return pieces
}

func (p *part) linesOf(colour chipmodel.LineSet) []chipmodel.LineSet {
	lines := make([]chipmodel.LineSet, len(p.elems))
	for i, e := range p.elems {
		lines[i] = e & colour
	}
	return lines
}

// peeling makes a cover disjoint: it goes through its words in one order after another and takes from each word what no
// earlier one has; where that is no word by itself, it takes several. The work on a common beginning of several orders
// is done once.
type peeling struct {
	in     *instance
	p      *part
	cover  [][]uint64
	most   int // orders to try
	orders int // tried so far
	best   []column
}

// from tries the orders that differ from the present one from place k on only. It
// reports whether to go on.
func (e *peeling) from(k int, left []uint64, taken []column) bool {
	if k == len(e.cover) || len(taken) >= len(e.best) {
		if len(taken) < len(e.best) {
			e.best = slices.Clone(taken)
		}
		same := 1 // orders that begin like this, none of them better
		for i := 2; i <= len(e.cover)-k && same < e.most; i++ {
			same *= i
		}
		e.orders = min(e.most, e.orders+same)
		return e.orders < e.most && len(e.best) > len(e.cover)
	}
	for i := k; i < len(e.cover); i++ {
		e.cover[k], e.cover[i] = e.cover[i], e.cover[k]
		rest, more := e.take(e.cover[k], left, taken)
		again := e.from(k+1, rest, more)
		e.cover[k], e.cover[i] = e.cover[i], e.cover[k]
		if !again {
			return false
		}
	}
	return true
}

// take covers what is left of a word.
func (e *peeling) take(within, left []uint64, taken []column) (rest []uint64, more []column) {
	p := e.p
	left = slices.Clone(left)
	used, want := without(p.full, left), make([]uint64, p.stride)
	for {
		var union chipmodel.LineSet
		seed := -1
		for k, x := range within {
			want[k] = x & left[k]
		}
		for i := range members(want) {
			union |= p.elems[i]
			if seed < 0 {
				seed = i
			}
		}
		if seed < 0 {
			return left, taken
		}
		word, ok := e.in.fit(union)
		c := column{}
		if ok && !p.holdsAny(word, used) {
			c = p.column(word)
		} else {
			c = e.in.grow(p, seed, want, used)
		}
		taken = append(taken, c)
		for k, x := range c.has {
			left[k] &^= x
			used[k] |= x
		}
	}
}

func without(a, b []uint64) []uint64 {
	out := slices.Clone(a)
	for i, x := range b {
		out[i] &^= x
	}
	return out
}

func intersection(a, b []uint64) []uint64 {
	out := slices.Clone(a)
	for i, x := range b {
		out[i] &= x
	}
	return out
}

// greedy takes the columns that cover most for their cost.
func (pr *problem) greedy() []column {
	left := fullSet(pr.rows)
	order := make([]int, len(pr.cols))
	for i := range order {
		order[i] = i
	}
	ratios := make([]float64, len(pr.cols))
	for i, size := range pr.sizes() {
		ratios[i] = float64(size) / float64(pr.cols[i].cost)
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(ratios[b], ratios[a]) })
	var taken []column
	for !isEmpty(left) {
		best, ratio := -1, 0.0
		for _, c := range order {
			col := &pr.cols[c]
			if pr.once && !subset(col.has, left) {
				continue
			}
			r := float64(countBoth(col.has, left)) / float64(col.cost)
			if r > ratio {
				best, ratio = c, r
				if pr.once {
					break // sorted: no later one is better
				}
			}
		}
		if best < 0 {
			return nil // no partition this way
		}
		left = without(left, pr.cols[best].has)
		taken = append(taken, pr.cols[best])
	}
	return taken
}
