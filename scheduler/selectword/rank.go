package selectword

import (
	"slices"

	"facetd.example/chipmodel"
)

// rankBound is a lower bound on the words of a partition. Split the lines in two, A and B, and write a matrix with a
// row for each part in A that an element's lines have, a column for each part in B, and a 1 where row and column
// together make an element. A word reaches row parts by its lines in A and column parts by its lines in B, so it adds a
// matrix of rank 1; disjoint words add up to the whole one, so they are at least as many as its rank (the argument of
// Graham and Pollak 1971, from memory). A cell is known to be 0 where its lines hold a forbidden set; rows and columns
// with cells that are neither are left out.
func (in *instance) rankBound(p *part) int {
	best := 1
	for _, split := range p.splits() {
		best = max(best, matrixRank(in.knownCells(p, split)))
		in.charge(1 + len(p.elems)*p.stride)
	}
	return best
}

// splits colours the lines so that no element has two of one colour, as far as the
// greedy order allows, and splits one colour from the rest. On a grid the colours
// are the axes.
func (p *part) splits() []chipmodel.LineSet {
	var together [64]chipmodel.LineSet
	for _, e := range p.elems {
		for rest := e; rest != 0; rest &= rest - 1 {
			together[rest.Lowest()] |= e
		}
	}
	var colours []chipmodel.LineSet
	for line := range 64 {
		bit := chipmodel.LineSet(1) << line
		if together[line] == 0 {
			continue
		}
		free := slices.IndexFunc(colours, func(c chipmodel.LineSet) bool { return c&together[line] == 0 })
		if free < 0 {
			colours = append(colours, bit)
		} else {
			colours[free] |= bit
		}
	}
	return colours
}

// knownCells builds the matrix of a split. It drops rows and columns until every cell is known, since the rank of a
// part is a lower bound as well; the one with the most unknown cells goes first, to keep the part large.
func (in *instance) knownCells(p *part, split chipmodel.LineSet) [][]int64 {
	const unknown = -1
	var tops, sides []chipmodel.LineSet
	isElem := map[chipmodel.LineSet]bool{}
	for _, e := range p.elems {
		tops, sides = append(tops, e&split), append(sides, e&^split)
		isElem[e] = true
	}
	tops, sides = distinct(tops), distinct(sides)
	cells := make([][]int64, len(tops))
	for i, a := range tops {
		cells[i] = make([]int64, len(sides))
		for j, b := range sides {
			switch {
			case isElem[a|b]:
				cells[i][j] = 1
			case in.allowed(a | b):
				cells[i][j] = unknown
			}
		}
	}
	for {
		worst, row, col := 0, -1, -1
		perCol := make([]int, len(sides))
		for i := range cells {
			n := 0
			for j, v := range cells[i] {
				if v == unknown {
					n++
					perCol[j]++
				}
			}
			if n > worst {
				worst, row = n, i
			}
		}
		for j, n := range perCol {
			if n > worst {
				worst, col = n, j
			}
		}
		switch {
		case worst == 0:
			return cells
		case col >= 0:
			for i := range cells {
				cells[i] = slices.Delete(cells[i], col, col+1)
			}
			sides = slices.Delete(sides, col, col+1)
		default:
			cells = slices.Delete(cells, row, row+1)
		}
	}
}

// matrixRank is the rank over the integers modulo a prime. It is exact to compute, and never above the rank over the
// rationals, so the bound stays valid.
func matrixRank(m [][]int64) int {
	const prime = 1<<31 - 1
	rank := 0
	for col := 0; len(m) > 0 && col < len(m[0]) && rank < len(m); col++ {
		pivot := slices.IndexFunc(m[rank:], func(row []int64) bool { return row[col] != 0 })
		if pivot < 0 {
			continue
		}
		m[rank], m[rank+pivot] = m[rank+pivot], m[rank]
		inverse := power(m[rank][col], prime-2, prime)
		for i := rank + 1; i < len(m); i++ {
			factor := m[i][col] * inverse % prime
			for j := col; factor != 0 && j < len(m[i]); j++ {
				m[i][j] = ((m[i][j]-factor*m[rank][j])%prime + prime) % prime
			}
		}
		rank++
	}
	return rank
}

// power is base^exponent modulo prime.
func power(base, exponent, prime int64) int64 {
	result := int64(1)
	for ; exponent > 0; exponent /= 2 {
		if exponent&1 == 1 {
			result = result * base % prime
		}
		base = base * base % prime
	}
	return result
}
