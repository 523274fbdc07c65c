package selectword

import (
	"cmp"
	"slices"
)

// tries is how many starts a greedy step on n elements may compare: fewer where
// each takes longer.
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

// grow adds elements to a seed while the word stays allowed and holds no element
// of avoid: those that want likes first.
func (in *instance) grow(p *part, seed int, want, avoid []uint64) column {
	word := p.elems[seed]
	for _, liked := range []bool{true, false} {
		members(p.fits[seed], func(i int) {
			if hasBit(want, i) != liked || p.elems[i].Within(word) || hasBit(avoid, i) {
				return
			}
			if bigger, ok := in.fit(word | p.elems[i]); ok && !p.holdsAny(bigger, avoid) {
				word = bigger
			}
		})
		if in.once { // elements that are not wanted are those to avoid
			break
		}
	}
	return p.column(word)
}

func (p *part) holdsAny(word Word, set []uint64) bool {
	found := false
	members(set, func(i int) { found = found || p.elems[i].Within(word) })
	return found
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
		members(left, func(i int) {
			if tried++; tried > seeds {
				return
			}
			if c := grow(i, left); countBoth(c.has, left) > most {
				best, most = c, countBoth(c.has, left)
			}
		})
		for k, x := range best.has {
			left[k] &^= x
		}
		taken = append(taken, best)
		in.charge(1 + min(tried, seeds)*len(p.elems)/16)
	}
	return taken
}

// greedyPartition makes disjoint words, from scratch and out of the words of a
// cover, and returns the fewest.
func (in *instance) greedyPartition(p *part, cover []Word) []column {
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
	orders := 0
	permute(len(cover), func(order []int) bool {
		if peeled := in.peel(p, cover, order); len(peeled) < len(best) {
			best = peeled
		}
		orders++
		return orders < tries(len(p.elems)) && len(best) > len(cover)
	})
	in.charge(orders * len(p.elems) / 16)
	return best
}

// slicewise starts from the elements that share their lines of one colour (a row, a
// plane), or from single elements where a slice is no word, and joins what makes a
// word together.
func (in *instance) slicewise(p *part, colour Word) []column {
	byLines := map[Word]Word{}
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

func (p *part) linesOf(colour Word) []Word {
	lines := make([]Word, len(p.elems))
	for i, e := range p.elems {
		lines[i] = e & colour
	}
	return lines
}

// peel goes through the words of a cover and takes from each what no earlier one
// has; where that is no word by itself, it takes several.
func (in *instance) peel(p *part, cover []Word, order []int) []column {
	full := fullSet(len(p.elems))
	left := slices.Clone(full)
	var taken []column
	for _, k := range order {
		within := p.column(cover[k]).has
		for {
			want := intersection(within, left)
			if isEmpty(want) {
				break
			}
			var union Word
			seed := -1
			members(want, func(i int) {
				union |= p.elems[i]
				if seed < 0 {
					seed = i
				}
			})
			used := without(full, left)
			word, ok := in.fit(union)
			c := p.column(word)
			if !ok || meets(c.has, used) {
				c = in.grow(p, seed, want, used)
			}
			taken = append(taken, c)
			left = without(left, c.has)
		}
	}
	return taken
}

// permute visits the orders of 0..n-1 until visit returns false.
func permute(n int, visit func(order []int) bool) {
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	var from func(k int) bool
	from = func(k int) bool {
		if k == n {
			return visit(order)
		}
		for i := k; i < n; i++ {
			order[k], order[i] = order[i], order[k]
			more := from(k + 1)
			order[k], order[i] = order[i], order[k]
			if !more {
				return false
			}
		}
		return true
	}
	from(0)
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
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Compare(
			float64(count(pr.cols[b].has))/float64(pr.cols[b].cost),
			float64(count(pr.cols[a].has))/float64(pr.cols[a].cost))
	})
	var taken []column
	for !isEmpty(left) {
		best, rate := -1, 0.0
		for _, c := range order {
			col := &pr.cols[c]
			if pr.once && !subset(col.has, left) {
				continue
			}
			r := float64(countBoth(col.has, left)) / float64(col.cost)
			if r > rate {
				best, rate = c, r
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
