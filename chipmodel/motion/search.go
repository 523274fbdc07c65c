package motion

import "math"

// candidates are displacements under which two frames differ little, the best first; no two are neighbours.
type candidates struct {
	n  int
	at [4]candidate
}

type candidate struct {
	displacement
	variance float64
}

// add keeps a candidate if it is among the best, and better than its neighbours.
func (c *candidates) add(d candidate) {
	for i := 0; i < c.n; i++ {
		if !d.beside(c.at[i].displacement) {
			continue
		}
		if c.at[i].variance <= d.variance {
			return
		}
		copy(c.at[i:], c.at[i+1:c.n])
		c.n--
		i--
	}
	i := c.n
	for i > 0 && c.at[i-1].variance > d.variance {
		i--
	}
	if i == len(c.at) {
		return
	}
	c.n = min(c.n+1, len(c.at))
	copy(c.at[i+1:c.n], c.at[i:])
	c.at[i] = d
}

func (d displacement) beside(o displacement) bool {
	return max(d.rows-o.rows, o.rows-d.rows) <= 1 && max(d.halves-o.halves, o.halves-d.halves) <= 2
}

// search tries every displacement that leaves half of the rows and of the columns in common, and estimates from the
// few under which the frames differ least, but for an offset. What it returns is the best of those estimates: the one
// that leaves the least noise. Far from a right one much more than noise is left, but few pixels in common agree more
// easily by chance.
func (e *Estimator) search(first, second []float64) (best Estimate, ok bool) {
	found := e.look(first, second)
	best.Refused = OutOfRange
	least := math.Inf(1)
	for _, c := range found.at[:found.n] {
		out, good := e.refine(first, second, c.displacement)
		out.Iterations += best.Iterations
		if n := float64(out.Pixels); good && out.left*(1+20/n) < least || !ok && !good {
			if good {
				least = out.left * (1 + 20/n)
			}
			best, ok = out, good
		}
		best.Iterations = out.Iterations
	}
	return best, ok
}

func (e *Estimator) look(first, second []float64) (found candidates) {
	rows, columns := e.shape.Rows/2, e.shape.Columns/2
	switch e.kind {
	case alongRows:
		rows = 0
	case alongColumns:
		columns = 0
	}
	for y := -rows; y <= rows; y++ {
		odd := 0
		if e.shape.Hexagonal {
			odd = y & 1
		}
		for x := -columns; x <= columns; x++ {
			d := displacement{rows: y, halves: 2*x + odd}
			if e.overlap(d) {
				found.add(candidate{d, e.difference(first, second, d)})
			}
		}
	}
	return found
}

// difference is the variance of what two frames differ by under a displacement; few pixels in common count as worse,
// since they agree more easily by chance.
func (e *Estimator) difference(first, second []float64, d displacement) float64 {
	var n, sum, squares float64
	w, c := e.shape.Columns, e.common
	for row := c.top; row < c.bottom; row++ {
		i := row*w + c.left
		j := i + d.rows*w + d.columns(e.shape, row)
		a := first[i:][:c.right-c.left]
		b := second[j:][:len(a)]
		for k := range a {
			v := b[k] - a[k]
			if v == v {
				n++
				sum += v
				squares += v * v
			}
		}
	}
	if n < leastPixels {
		return math.Inf(1)
	}
	return max(0, squares-sum*sum/n) / (n - 3)
}
