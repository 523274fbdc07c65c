package wiring

import (
	"cmp"
	"math/bits"
	"slices"
)

// seed is a family of wire sets to start from.
type seed struct {
	name string
	sets []word // at least as many as chips
}

// seeds returns the families that have enough sets for the chips.
func seeds(chips, lines, inputs int) []seed {
	all := []seed{{"private lines", private(chips, lines, inputs)}}
	if inputs == 3 {
		for v := lines; v >= 7; v-- {
			if blocks := steiner(v); blocks != nil {
				all = append(all, seed{"a Steiner triple system", blocks})
				break
			}
		}
	}
	for _, sides := range grids(chips, lines, inputs) {
		all = append(all, seed{"grid coordinates", coordinates(sides)})
	}
	all = append(all, seed{"lexicographic subsets", lexicographic(chips, lines, inputs)})
	return slices.DeleteFunc(all, func(s seed) bool { return len(s.sets) < chips })
}

// private gives each chip one line of its own and the same further lines to all:
// every group is then one word. It needs chips + inputs - 1 lines.
func private(chips, lines, inputs int) []word {
	if chips+inputs-1 > lines {
		return nil
	}
	common := word(1)<<(inputs-1) - 1
	sets := make([]word, chips)
	for i := range sets {
		sets[i] = common | 1<<(inputs-1+i)
	}
	return sets
}

// steiner returns a Steiner triple system on v lines: triples such that every two
// lines lie in exactly one. Two triples share at most one line, so no third lies
// in the union of two, and every pair of chips is one word. They exist for v = 1
// or 3 mod 6 (Kirkman 1847); the constructions are Bose's (1939) for 6t+3 and
// Skolem's (1958) for 6t+1, from memory and checked by the tests.
func steiner(v int) []word {
	t := v / 6
	switch {
	case v%6 == 3:
		return bose(t)
	case v%6 == 1 && t > 0:
		return skolem(t)
	}
	return nil
}

// bose builds a system on Z(2t+1) x Z3 from the idempotent commutative quasigroup
// x o y = (t+1)(x+y).
func bose(t int) []word {
	n := 2*t + 1
	point := func(x, layer int) word { return 1 << (layer%3*n + x) }
	var blocks []word
	for x := range n {
		blocks = append(blocks, point(x, 0)|point(x, 1)|point(x, 2))
		for y := x + 1; y < n; y++ {
			for layer := range 3 {
				blocks = append(blocks, point(x, layer)|point(y, layer)|point((t+1)*(x+y)%n, layer+1))
			}
		}
	}
	return blocks
}

// skolem builds a system on Z(2t) x Z3 and one more point from a half-idempotent
// commutative quasigroup: x o y is the half of x+y where that is even, and t more
// than the half of x+y-1 where it is odd (sums mod 2t).
func skolem(t int) []word {
	n := 2 * t
	point := func(x, layer int) word { return 1 << (layer%3*n + x) }
	last := word(1) << (3 * n)
	product := func(x, y int) int {
		s := (x + y) % n
		if s%2 == 0 {
			return s / 2
		}
		return (s-1)/2 + t
	}
	var blocks []word
	for x := range t {
		blocks = append(blocks, point(x, 0)|point(x, 1)|point(x, 2))
		for layer := range 3 {
			blocks = append(blocks, last|point(x+t, layer)|point(x, layer+1))
		}
	}
	for x := range n {
		for y := x + 1; y < n; y++ {
			for layer := range 3 {
				blocks = append(blocks, point(x, layer)|point(y, layer)|point(product(x, y), layer+1))
			}
		}
	}
	return blocks
}

// maxGrids limits the shapes that are tried.
const maxGrids = 12

// grids returns shapes with one axis per input that hold the chips and fit on the
// lines, fewest lines first.
func grids(chips, lines, inputs int) [][]int {
	var shapes [][]int
	sides := make([]int, inputs)
	visited := 0
	var fill func(axis, room, left int)
	fill = func(axis, room, left int) {
		if visited++; visited > 1<<14 {
			return
		}
		if axis == inputs-1 {
			if left <= room {
				sides[axis] = max(1, left)
				shapes = append(shapes, slices.Clone(sides))
			}
			return
		}
		for side := 1; side <= room-(inputs-1-axis) && side <= chips; side++ {
			sides[axis] = side
			fill(axis+1, room-side, (left+side-1)/side)
		}
	}
	fill(0, lines, chips)
	sum := func(s []int) (n int) {
		for _, side := range s {
			n += side
		}
		return n
	}
	slices.SortStableFunc(shapes, func(a, b []int) int { return cmp.Compare(sum(a), sum(b)) })
	return shapes[:min(maxGrids, len(shapes))]
}

// coordinates wires a chip to one line of each axis, the last axis running fastest.
func coordinates(sides []int) []word {
	sets := []word{0}
	base := 0
	for _, side := range sides {
		var next []word
		for _, s := range sets {
			for i := range side {
				next = append(next, s|1<<(base+i))
			}
		}
		sets, base = next, base+side
	}
	return sets
}

// lexicographic returns the first subsets in order of their lines.
func lexicographic(chips, lines, inputs int) []word {
	var sets []word
	var add func(from int, s word)
	add = func(from int, s word) {
		if len(sets) == chips {
			return
		}
		if s.Len() == inputs {
			sets = append(sets, s)
			return
		}
		for line := from; line < lines; line++ {
			add(line+1, s|1<<line)
		}
	}
	add(0, 0)
	return sets
}

// fit keeps the given wires of a chip and fills up from a set, then from the lowest
// lines.
func fit(fixed, set word, inputs int) word {
	wires := fixed
	for _, source := range []word{set, ^word(0)} {
		for rest := source &^ wires; rest != 0 && wires.Len() < inputs; rest &= rest - 1 {
			wires |= 1 << bits.TrailingZeros64(uint64(rest))
		}
	}
	return wires
}

// relabel renames the lines of a family so that those it uses most are those that
// most chips are wired to already. Without fixed wires nothing changes.
func relabel(sets, fixed []word, lines int) []word {
	if !slices.ContainsFunc(fixed, func(w word) bool { return w != 0 }) {
		return sets
	}
	byUse := func(of []word) []int {
		order, uses := make([]int, lines), make([]int, lines)
		for line := range order {
			order[line] = line
			for _, s := range of {
				uses[line] += int(s >> line & 1)
			}
		}
		slices.SortStableFunc(order, func(a, b int) int { return uses[b] - uses[a] })
		return order
	}
	from, to := byUse(sets), byUse(fixed)
	out := make([]word, len(sets))
	for i, s := range sets {
		for k, line := range from {
			out[i] |= s >> line & 1 << to[k]
		}
	}
	return out
}

// choose is the number of subsets of k of n, at most 1<<40.
func choose(n, k int) int64 {
	const most = int64(1) << 40
	if k < 0 || k > n {
		return 0
	}
	c := int64(1)
	for i := range min(k, n-k) {
		c = c * int64(n-i) / int64(i+1)
		if c > most {
			return most
		}
	}
	return c
}
