package selectword

import (
	"cmp"
	"slices"

	"facetd.example/chipmodel"
)

// problem is set covering, or set partitioning where once is set: choose columns
// of least cost so that every row is in at least (exactly) one.
type problem struct {
	rows  int
	cols  []column
	once  bool
	unit  bool   // every column costs 1
	pairs *pairs // of a partition in words; may be nil
}

// solvePart finds words for one part.
func (in *instance) solvePart(p part) (solution, error) {
	if in.cost != nil {
		return in.cheapestPart(p)
	}
	return in.fewestPart(p), nil
}

// fewestPart finds the fewest words for a part.
func (in *instance) fewestPart(p part) solution {
	switch all, ok := in.fit(unionOf(p.elems)); {
	case ok:
		return solution{words: []chipmodel.LineSet{all}, cost: 1, bound: 1}
	case in.once:
		return in.partitionPart(p)
	}
	return in.coverPart(p)
}

// coverPart finds the fewest words that cover a part.
func (in *instance) coverPart(p part) solution {
	fooling := int64(len(p.foolingSet()))
	greedy := in.greedyCover(&p)
	if int64(len(greedy)) == fooling {
		return solutionOf(greedy, fooling)
	}
	cols, complete := in.maximalWords(&p)
	if !complete {
		cols = append(cols, in.grown(&p)...)
	}
	pr := &problem{rows: len(p.elems), cols: cols, unit: true}
	best, bound := in.minimise(pr, greedy, fooling)
	if !complete {
		bound = fooling // words that were not enumerated might do better
	}
	return solutionOf(best, bound)
}

// partitionPart finds the fewest disjoint words that cover a part. No partition has fewer words than the best cover,
// which can often be made disjoint without more of them: hence it comes first.
func (in *instance) partitionPart(p part) solution {
	cover := in.coverPart(p)
	bound := max(cover.bound, int64(len(p.foolingSet())), int64(in.rankBound(&p)))
	greedy := in.greedyPartition(&p, cover.words)
	if int64(len(greedy)) == bound {
		return solutionOf(greedy, bound)
	}
	cols, complete := in.closedWords(&p)
	if !complete {
		cols = append(cols, greedy...)
		for i := range p.elems {
			cols = append(cols, p.column(p.elems[i]))
		}
	}
	pr := &problem{rows: len(p.elems), cols: cols, once: true, unit: true}
	if pr.rows <= maxPairs {
		pr.pairs = in.newPairs(&p)
	}
	best, proved := in.minimise(pr, greedy, bound)
	if complete {
		bound = max(bound, proved)
	}
	return solutionOf(best, bound)
}

// cheapestPart minimises the sum of the costs. It starts from the fewest words and
// from single elements, whichever cost less.
func (in *instance) cheapestPart(p part) (solution, error) {
	work := in.work
	// The fewest words are only a start: most of the work is kept for their cost.
	in.work = work / 4
	var fewest, single []column
	left := fullSet(len(p.elems))
	for _, word := range in.fewestPart(p).words { // each without what those before it hold
		var union chipmodel.LineSet
		want := intersection(p.column(word).has, left)
		for i := range members(want) {
			union |= p.elems[i]
		}
		if c := p.column(union); !isEmpty(want) {
			fewest = append(fewest, c)
			left = without(left, c.has)
		}
	}
	in.work = work - work/4 + max(0, in.work)
	for _, e := range p.elems {
		single = append(single, p.column(e))
	}
	cols, complete := in.closedWords(&p)
	if !complete {
		cols = append(cols, single...)
		cols = append(cols, fewest...)
		cols = append(cols, in.grown(&p)...)
	}
	for _, list := range [][]column{cols, single, fewest} {
		if err := in.setCosts(list); err != nil {
			return solution{}, err
		}
	}
	// Each word with an element of a fooling set costs no less than that element's
	// own lines would.
	var bound int64
	for _, i := range p.foolingSet() {
		bound += single[i].cost
	}
	known := single
	if totalCost(fewest) < totalCost(single) {
		known = fewest
	}
	pr := &problem{rows: len(p.elems), cols: cols, once: in.once}
	best, proved := in.minimise(pr, known, bound)
	if complete {
		bound = max(bound, proved)
	}
	return solutionOf(best, bound), nil
}

// setCosts asks for the cost of every column.
func (in *instance) setCosts(cols []column) error {
	for i := range cols {
		c := in.cost(cols[i].word)
		if c < 1 || c > MaxCost {
			return &CostError{Word: cols[i].word, Cost: c}
		}
		cols[i].cost = c
	}
	return nil
}

func solutionOf(cols []column, bound int64) solution {
	s := solution{cost: totalCost(cols)}
	for _, c := range cols {
		s.words = append(s.words, c.word)
	}
	s.bound = min(bound, s.cost)
	return s
}

func totalCost(cols []column) int64 {
	var sum int64
	for _, c := range cols {
		sum += c.cost
	}
	return sum
}

// reduce drops rows that are covered whenever another one is, and columns within another one that costs no more, until
// nothing changes. That is for covering only: in a partition a row must not be covered twice, and a smaller column may
// be the one that fits.
func (pr *problem) reduce(in *instance) {
	for changed := true; changed; {
		changed = pr.dropRows(in)
		if pr.dropColumns(in) {
			changed = true
		}
	}
}

func (pr *problem) dropRows(in *instance) bool {
	n, stride := pr.rows, (len(pr.cols)+63)/64
	if n*n*stride > 1<<24 || !in.charge(n*n*stride/4096) {
		return false
	}
	inCols, sets := make([][]uint64, n), make([]uint64, n*stride)
	for r := range inCols {
		inCols[r] = sets[r*stride:][:stride]
	}
	for c := range pr.cols {
		for r := range members(pr.cols[c].has) {
			setBit(inCols[r], c)
		}
	}
	drop := make([]uint64, (n+63)/64)
	for r := range n {
		for other := range n {
			if r == other || hasBit(drop, other) || hasBit(drop, r) || !subset(inCols[other], inCols[r]) {
				continue
			}
			setBit(drop, r) // covered whenever the other one is
		}
	}
	if isEmpty(drop) {
		return false
	}
	return pr.keepRows(drop)
}

// keepRows renumbers the rows that are not dropped; it reports whether any row
// was dropped that some column held.
func (pr *problem) keepRows(drop []uint64) bool {
	kept := make([]int, 0, pr.rows)
	for r := range pr.rows {
		if !hasBit(drop, r) {
			kept = append(kept, r)
		}
	}
	stride := max(1, (len(kept)+63)/64)
	cols := make([]column, len(pr.cols))
	sets := make([]uint64, len(pr.cols)*stride)
	for i, c := range pr.cols {
		cols[i] = column{word: c.word, cost: c.cost, has: sets[i*stride:][:stride:stride]}
		for k, r := range kept {
			if hasBit(c.has, r) {
				setBit(cols[i].has, k)
			}
		}
	}
	pr.cols, pr.rows = cols, len(kept)
	return true
}

func (pr *problem) dropColumns(in *instance) bool {
	n := len(pr.cols)
	if n*n > 1<<24 || !in.charge(n*n/4096) {
		return false
	}
	sizes, order := pr.sizes(), make([]int32, n)
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortStableFunc(order, func(a, b int32) int {
		return cmp.Or(sizes[b]-sizes[a], cmp.Compare(pr.cols[a].cost, pr.cols[b].cost))
	})
	kept := make([]column, 0, n)
	for _, i := range order {
		c := &pr.cols[i]
		held := false
		for j := range kept {
			if k := &kept[j]; k.cost <= c.cost && subset(c.has, k.has) {
				held = true
				break
			}
		}
		if !held {
			kept = append(kept, *c)
		}
	}
	pr.cols = kept
	return len(kept) < n
}

// sizes counts the rows of each column.
func (pr *problem) sizes() []int {
	sizes := make([]int, len(pr.cols))
	for i := range pr.cols {
		sizes[i] = count(pr.cols[i].has)
	}
	return sizes
}
