package selectword

import (
	"math"
	"slices"
)

// maxMemo limits the table of sets of open elements already searched.
const maxMemo = 1 << 16

// trialNodes takes about two milliseconds; a search that needs no more is done sooner
// than with the linear program of its elements.
const trialNodes = 4000

// setKey is a set of at most maxPairs elements.
type setKey [maxPairs / 64]uint64

// splitting searches for the fewest disjoint words. What matters is only which elements are still open: how few of them
// still fit together gives a lower bound on their words, and a set of them that was searched once need not be searched
// again.
type splitting struct {
	in     *instance
	pr     *problem
	dual   *dual            // nil at first
	nodes  int              // to look at before giving up
	byElem [][]int32        // columns that hold an element, largest first
	byHas  map[setKey]int32 // column with exactly these elements
	best   []column
	goal   int // no partition has fewer words
	chosen []int32
	fits   [][64]uint64    // by depth, for at most 64 elements: what fits with each
	memo   map[setKey]int8 // words that these elements need at least
}

// split improves on a known partition; see minimise. Many searches end sooner than a linear program would, so it is
// solved only for those that do not.
func (in *instance) split(pr *problem, known []column, bound int64) ([]column, int64) {
	s := &splitting{in: in, pr: pr, nodes: trialNodes, best: known, goal: int(bound),
		byElem: make([][]int32, pr.rows), byHas: make(map[setKey]int32, len(pr.cols)), memo: map[setKey]int8{}}
	order := make([]int32, len(pr.cols))
	for i := range order {
		order[i] = int32(i)
		s.byHas[keyOf(pr.cols[i].has)] = int32(i)
	}
	sizes := pr.sizes()
	slices.SortStableFunc(order, func(a, b int32) int { return sizes[b] - sizes[a] })
	for _, c := range order {
		for r := range members(pr.cols[c].has) {
			s.byElem[r] = append(s.byElem[r], c)
		}
	}
	in.charge(len(order) / 8)
	if pr.pairs.stride == 1 {
		s.fits = make([][64]uint64, len(known)+1)
		for i := range s.fits[0] {
			s.fits[0][i] = ^uint64(0)
		}
	}
	full := fullSet(pr.rows)
	if s.node(full) {
		return s.best, int64(len(s.best))
	}
	s.dual = pr.dual(in)
	bound = max(bound, s.dual.bound(full))
	if int64(len(s.best)) <= bound {
		return s.best, bound
	}
	s.goal, s.nodes = int(bound), math.MaxInt
	if s.node(full) {
		return s.best, int64(len(s.best))
	}
	return s.best, bound
}

// fooling is that of the pairs.
func (s *splitting) fooling(open []uint64, room int) (size, elem int) {
	if s.fits == nil {
		return s.pr.pairs.fooling(open, room)
	}
	depth := len(s.chosen)
	return s.pr.pairs.foolingSmall(open[0], room, &s.fits[depth], &s.fits[depth+1])
}

func keyOf(set []uint64) (k setKey) {
	copy(k[:], set)
	return k
}

// node tries to split the open elements into fewer words than the best partition
// leaves. It reports whether the search below is complete.
func (s *splitting) node(open []uint64) bool {
	room := len(s.best) - 1 - len(s.chosen) // words that would be an improvement
	if len(s.best) == s.goal || room <= 0 {
		return true
	}
	key := keyOf(open)
	if c, ok := s.byHas[key]; ok {
		s.best = nil
		for _, k := range append(s.chosen, c) {
			s.best = append(s.best, s.pr.cols[k])
		}
		return true
	}
	if room == 1 || int(s.memo[key]) > room || (s.dual != nil && s.dual.bound(open) > int64(room)) {
		return true
	}
	if s.nodes--; s.nodes < 0 {
		return false
	}
	size, elem := s.fooling(open, room)
	if !s.in.charge(1+s.pr.rows*s.pr.rows/2048) || size > room {
		return size > room
	}
	for _, c := range s.byElem[elem] {
		has := s.pr.cols[c].has
		if !subset(has, open) {
			continue
		}
		s.chosen = append(s.chosen, c)
		complete := s.node(without(open, has))
		s.chosen = s.chosen[:len(s.chosen)-1]
		if !complete {
			return false
		}
	}
	s.in.charge(len(s.byElem[elem]) / 1024)
	if len(s.memo) < maxMemo {
		s.memo[key] = int8(min(127, len(s.best)-len(s.chosen)))
	}
	return true
}
