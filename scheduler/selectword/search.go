package selectword

import "slices"

// minimise improves on a known answer by branch and bound. It returns the best
// columns found and a lower bound, which equals their cost when the search ended
// by itself.
func (in *instance) minimise(pr *problem, known []column, bound int64) ([]column, int64) {
	if !pr.once {
		pr.reduce(in)
	}
	best := known
	if g := pr.greedy(); g != nil && totalCost(g) < totalCost(best) {
		best = g
	}
	if totalCost(best) <= bound {
		return best, bound
	}
	if pr.pairs != nil {
		return in.split(pr, best, bound)
	}
	d := pr.dual(in)
	open := fullSet(pr.rows)
	bound = max(bound, d.bound(open))
	if totalCost(best) <= bound {
		return best, bound
	}
	s := &search{in: in, pr: pr, dual: d, best: best, cost: totalCost(best), goal: bound,
		banned: make([]int, len(pr.cols))}
	avail := make([]int32, len(pr.cols))
	for i := range avail {
		avail[i] = int32(i)
	}
	s.tally = make([]int32, pr.rows)
	s.part = make([]int64, pr.rows)
	if s.node(open, avail, 0) {
		return s.best, s.cost
	}
	return s.best, bound
}

type search struct {
	in     *instance
	pr     *problem
	dual   *dual
	best   []column
	cost   int64 // of best
	goal   int64 // no answer costs less
	chosen []int32
	banned []int   // by column: number of branches above in which it was tried and is out
	tally  []int32 // scratch, by row
	part   []int64
}

// node tries to cover the open rows with the available columns; spent is the cost
// so far. It reports whether the search below is complete: every answer cheaper
// than the best was found.
func (s *search) node(open []uint64, avail []int32, spent int64) bool {
	if isEmpty(open) {
		if spent < s.cost {
			s.cost = spent
			s.best = nil
			for _, c := range s.chosen {
				s.best = append(s.best, s.pr.cols[c])
			}
		}
		return true
	}
	if s.cost == s.goal || spent+s.dual.bound(open) >= s.cost {
		return true
	}
	if !s.in.charge(1 + len(avail)*(1+len(open))/64) {
		return false
	}
	row, local := s.inspect(open, avail)
	if row < 0 || spent+local >= s.cost {
		return true
	}
	return s.branch(row, open, avail, spent)
}

// inspect returns the open row with the fewest columns (-1 where one has none) and a lower bound: every row costs at
// least its equal part of the best column that it is in. Branching on that row keeps the tree narrow.
func (s *search) inspect(open []uint64, avail []int32) (row int, bound int64) {
	const none = int64(1) << 62
	for r := range s.tally {
		s.tally[r], s.part[r] = 0, none
	}
	for _, c := range avail {
		col := &s.pr.cols[c]
		size := int64(countBoth(col.has, open))
		if size == 0 {
			continue
		}
		part := col.cost * s.dual.scale / size
		for k, x := range col.has {
			for x &= open[k]; x != 0; x &= x - 1 {
				r := k<<6 | lowBit(x)
				s.tally[r]++
				s.part[r] = min(s.part[r], part)
			}
		}
	}
	row = -1
	var sum int64
	fewest := int32(1) << 30
	for r := range members(open) {
		if s.tally[r] == 0 {
			return -1, 0
		}
		sum += s.part[r]
		if s.tally[r] < fewest {
			row, fewest = r, s.tally[r]
		}
	}
	return row, (sum + s.dual.scale - 1) / s.dual.scale
}

// branch tries every column that holds a row. In a cover, a column that was tried is banned in the branches after it:
// all answers with it have been seen. In a partition the columns of one row exclude each other in any case.
func (s *search) branch(row int, open []uint64, avail []int32, spent int64) bool {
	var tries []int32
	for _, c := range avail {
		if hasBit(s.pr.cols[c].has, row) {
			tries = append(tries, c)
		}
	}
	slices.SortStableFunc(tries, func(a, b int32) int {
		return countBoth(s.pr.cols[b].has, open) - countBoth(s.pr.cols[a].has, open)
	})
	complete := true
	for _, c := range tries {
		col := &s.pr.cols[c]
		left := without(open, col.has)
		if spent+col.cost+s.dual.bound(left) < s.cost {
			s.chosen = append(s.chosen, c)
			complete = s.node(left, s.remaining(col, left, avail), spent+col.cost)
			s.chosen = s.chosen[:len(s.chosen)-1]
		}
		if !complete {
			break
		}
		if !s.pr.once {
			s.banned[c]++
		}
	}
	if !s.pr.once {
		for _, c := range tries {
			s.banned[c] = 0
		}
	}
	return complete
}

// remaining filters the columns still of use after one was chosen.
func (s *search) remaining(chosen *column, left []uint64, avail []int32) []int32 {
	kept := make([]int32, 0, len(avail))
	for _, c := range avail {
		has := s.pr.cols[c].has
		if s.banned[c] > 0 || !meets(has, left) || (s.pr.once && meets(has, chosen.has)) {
			continue
		}
		kept = append(kept, c)
	}
	return kept
}
