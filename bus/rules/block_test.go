package rules

import (
	"math"
	"testing"
	"time"

	"facetd.example/chipmodel/analog"
)

// TestSharesOfBlocks: the least time of a share leaves half a step of the worst that a block can hold, found by
// following the cells themselves; both axes of a square block count, which takes a quarter of a time constant longer
// than its side. What the planner takes is never shorter.
func TestSharesOfBlocks(t *testing.T) {
	const bits, rc = 8, 1e6 // ns
	for _, side := range [][2]int{{1, 2}, {2, 2}, {1, 4}, {4, 4}, {4, 2}, {3, 8}, {8, 8}, {6, 5}} {
		least := blockSettle(side[0], side[1], rc, bits)
		if back := blockSettle(side[1], side[0], rc, bits); back != least {
			t.Errorf("%v: %v, the other way round %v", side, least, back)
		}
		if planned := analog.ShareSettle(side[0], side[1], 1e9, 1e-12, bits); planned < least ||
			float64(planned) > 1.01*float64(least)+2 {
			t.Errorf("%v: the planner takes %v, the inspector %v", side, planned, least)
		}
		worst := math.Exp2(bits+1) * worstLeft(side[0], side[1], float64(least)/rc)
		if math.Abs(worst-1) > 0.02 {
			t.Errorf("%v: after %v %.3f half steps are left of the worst pattern", side, least, worst)
		}
	}
	if chain, square := blockSettle(1, 8, rc, bits), blockSettle(8, 8, rc, bits); square-chain < time.Duration(rc) {
		t.Errorf("a square takes %v longer than its side", square-chain)
	}
	if got := blockSettle(1, 1, rc, bits); got != 0 {
		t.Errorf("a single cell takes %v", got)
	}
}

// worstLeft is the largest error at the corner of a block after a time in units of RC, over all that its cells can hold
// between 0 and 1: the answer of the corner to each cell alone, in small steps, of which the positive parts count once
// the mean is taken off.
func worstLeft(rows, columns int, t float64) float64 {
	var sum float64
	for cell := range rows * columns {
		v := make([]float64, rows*columns)
		v[cell] = 1
		steps := int(math.Ceil(t * 200))
		h := t / float64(steps)
		for range steps {
			v = relax(relax(v, rows, columns, h/2), rows, columns, h/2)
		}
		sum += max(v[0]-1/float64(rows*columns), 0)
	}
	return sum
}

// relax moves charge between neighbours for a time.
func relax(v []float64, rows, columns int, h float64) []float64 {
	out := append([]float64(nil), v...)
	for r := range rows {
		for c := range columns {
			i := r*columns + c
			if c+1 < columns {
				out[i] += h * (v[i+1] - v[i])
				out[i+1] -= h * (v[i+1] - v[i])
			}
			if r+1 < rows {
				out[i] += h * (v[i+columns] - v[i])
				out[i+columns] -= h * (v[i+columns] - v[i])
			}
		}
	}
	return out
}

// TestLargerBlocksTakeLonger: the least time grows with either side.
func TestLargerBlocksTakeLonger(t *testing.T) {
	for n := 1; n <= 9; n++ {
		for m := 1; m <= 9; m++ {
			if a, b := blockSettle(n, m, 1e6, 12), blockSettle(n+1, m, 1e6, 12); b < a {
				t.Errorf("%d x %d takes %v, one row more %v", n, m, a, b)
			}
		}
	}
}
