package correction

import (
	"fmt"
	"slices"
)

// A defect is filled from the nearest ring of neighbours, and those within it, that holds fillNeeds
// good pixels; beyond fillReach rings nothing is near enough to say what it would have seen.
const (
	fillNeeds = 3
	fillReach = 8
	fillMost  = fillNeeds - 1 + 8*fillReach
)

// filling is a defective pixel and the good ones that stand for it.
type filling struct {
	pixel int32
	from  []int32
}

func newFillings(s Shape, defects []Defect) []filling {
	if len(defects) == 0 {
		return nil
	}
	bad := make([]bool, s.Pixels())
	for _, d := range defects {
		bad[d.Pixel] = true
	}
	out := make([]filling, len(defects))
	for i, d := range defects {
		out[i] = filling{int32(d.Pixel), goodNeighbours(s, bad, d.Pixel)}
	}
	return out
}

// goodNeighbours are the good pixels of the smallest neighbourhood that has enough; nil
// when no neighbourhood within reach has.
func goodNeighbours(s Shape, bad []bool, pixel int) []int32 {
	var out []int32
	for ring := 1; ring <= fillReach; ring++ {
		s.ring(pixel/s.Columns, pixel%s.Columns, ring, func(r, c int) {
			if i := r*s.Columns + c; !bad[i] {
				out = append(out, int32(i))
			}
		})
		if len(out) >= fillNeeds {
			return out
		}
	}
	if s.Pixels() <= fillReach && len(out) > 0 { // a frame too small to hold enough
		return out
	}
	return nil
}

// ring visits the pixels at a distance in steps from neighbour to neighbour: 8 neighbours
// on a square lattice, 6 on a hexagonal one.
func (s Shape) ring(row, column, distance int, visit func(row, column int)) {
	for r := max(row-distance, 0); r <= min(row+distance, s.Rows-1); r++ {
		for c := max(column-distance, 0); c <= min(column+distance, s.Columns-1); c++ {
			if s.steps(row, column, r, c) == distance {
				visit(r, c)
			}
		}
	}
}

// steps is the distance of two pixels in steps from neighbour to neighbour. On a hexagonal
// lattice a step to the next row moves half a column pitch to either side.
func (s Shape) steps(r0, c0, r1, c1 int) int {
	rows := abs(r1 - r0)
	if s.Lattice == Square {
		return max(rows, abs(c1-c0))
	}
	halves := abs(s.halves(r1, c1) - s.halves(r0, c0))
	return rows + max(halves-rows, 0)/2
}

// halves is the place of a hexagonal pixel along its row in half column pitches.
func (s Shape) halves(r, c int) int {
	if s.Lattice == HexagonalOdd {
		r++
	}
	return 2*c + r&1
}

func abs(i int) int { return max(i, -i) }

// Fill replaces the codes of defective pixels by the median of their good neighbours, in
// place, after Apply. Only what was measured is taken, never what was filled. Unfilled is
// how many defects have no good pixels near enough; they keep their codes. It does not
// allocate, and fails, changing nothing, when the length is wrong.
func (m *Map) Fill(codes []uint16) (filled, unfilled int, err error) {
	if len(codes) != m.Shape.Pixels() {
		return 0, 0, fmt.Errorf("%d codes; the correction map is for frames of %d x %d", len(codes), m.Shape.Rows,
			m.Shape.Columns)
	}
	var values [fillMost]uint16
	for i := range m.fill {
		f := &m.fill[i]
		if len(f.from) == 0 {
			unfilled++
			continue
		}
		v := values[:0]
		for _, from := range f.from {
			v = append(v, codes[from])
		}
		slices.Sort(v)
		half := len(v) / 2
		value := v[half]
		if len(v)%2 == 0 {
			value = uint16((uint32(v[half-1]) + uint32(v[half]) + 1) / 2)
		}
		codes[f.pixel] = value
		filled++
	}
	return filled, unfilled, nil
}
