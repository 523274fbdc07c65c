package wiring

import (
	"fmt"
	"slices"

	"facetd.example/scheduler/selectword"
)

// impossible returns a reason why no wiring on these lines exists, or "".
func (s *Spec) impossible() string {
	sets := choose(s.Lines, s.Inputs)
	byLane := map[int]int64{}
	for i := range s.Chips {
		byLane[s.Chips[i].Lane]++
	}
	for i := range s.Chips {
		if c := &s.Chips[i]; byLane[c.Lane] > sets {
			ways := "there is one way"
			if sets != 1 {
				ways = fmt.Sprintf("there are %d ways", sets)
			}
			return fmt.Sprintf("%s to wire a chip's inputs to %d lines, and %d chips on %s must differ", ways, s.Lines,
				byLane[c.Lane], c.laneTitle())
		}
	}
	fixed := s.fixed()
	for a := range fixed {
		for b := range a {
			if fixed[a].Len() == s.Inputs && fixed[a] == fixed[b] && s.Chips[a].Lane == s.Chips[b].Lane {
				return fmt.Sprintf("chips %s and %s are wired alike, and both are on %s", s.title(b), s.title(a),
					s.Chips[a].laneTitle())
			}
		}
	}
	return ""
}

// bound is a cost that no wiring undercuts: every group needs a word, and where the pairs of too many chips are all
// wanted, some need more.
func (s *Spec) bound() int64 {
	var total int64
	if s.Aim == LeastTraffic {
		for _, g := range s.Groups {
			total += g.Weight
		}
	}
	if s.Inputs == 3 {
		clique, lightest := s.pairClique()
		if excess := clique - maxPaired(s.Lines); excess > 0 {
			total += int64(excess) * lightest
		}
	}
	return total
}

// maxPaired is an upper bound on the chips of three inputs of which every two are one word, so that no wire set lies in
// the union of two others. At most one of a set's three pairs of lines is in another set: if two were, those two others
// would cover it. If one is, the set's third line is in no other set at all. With p sets of that second kind, the rest
// keep their three pairs to themselves on the m-p other lines: p + (m-p)(m-p-1)/6 sets in all. (With p = 0 it is the
// bound of Erdős, Frankl and Füredi 1982, from memory, met by Steiner triple systems.)
func maxPaired(lines int) int {
	most := 2 // two sets cannot cover a third
	for p := range max(0, lines-1) {
		rest := lines - p
		most = max(most, p+rest*(rest-1)/6)
	}
	return most
}

// pairClique returns the size of a set of chips, found greedily, of which every two
// are a group, and the least weight of such a group.
func (s *Spec) pairClique() (size int, lightest int64) {
	weight := map[[2]int]int64{}
	partners := make([]int, len(s.Chips))
	lightest = MaxWeight
	for _, g := range s.Groups {
		if len(g.Chips) != 2 {
			continue
		}
		key := [2]int{min(g.Chips[0], g.Chips[1]), max(g.Chips[0], g.Chips[1])}
		if weight[key] == 0 {
			partners[key[0]]++
			partners[key[1]]++
		}
		weight[key] += g.Weight
	}
	order := make([]int, len(s.Chips))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return partners[b] - partners[a] })
	var clique []int
	for _, c := range order {
		if slices.ContainsFunc(clique, func(o int) bool { return weight[[2]int{min(c, o), max(c, o)}] == 0 }) {
			continue
		}
		for _, o := range clique {
			lightest = min(lightest, weight[[2]int{min(c, o), max(c, o)}])
		}
		clique = append(clique, c)
	}
	return len(clique), lightest
}

// apart checks a finished wiring by the definition: no chips of a lane that cannot be
// read apart.
func apart(s *Spec, wires []word) bool {
	lanes := make([]int, len(s.Chips))
	for i, c := range s.Chips {
		lanes[i] = c.Lane
	}
	return len(selectword.New(wires).Inseparable(lanes)) == 0
}
