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
// few under which the frames differ least, but for an offset, and from none at all. Of those estimates it returns the
// nearest that leaves little noise: far from a right one much more is left, but few pixels in common agree more easily
// by chance, so that one further away must leave half as much, and where it looks flat in place an eighth, of many.
func (e *Estimator) search(first, second []float64) (best Estimate, ok bool) {
	best, ok = e.refine(first, second, displacement{})
	if e.nowhere(&best) {
		return best, false
	}
	found := e.look(first, second)
	n, least, fewest := best.Iterations, math.Inf(1), 0
	switch {
	case ok:
		least = e.leaves(&best)
	case best.Refused == Flat: // a few pixels of nothing but noise agree somewhere, and then look like texture
		least, fewest = e.leaves(&best)/4, 64
	}
	for k := 1; k < found.n; k++ { // the nearest first
		for i := k; i > 0 && found.at[i].length() < found.at[i-1].length(); i-- {
			found.at[i], found.at[i-1] = found.at[i-1], found.at[i]
		}
	}
	from := displacement{}
	for _, c := range found.at[:found.n] {
		if c.displacement == from {
			continue
		}
		out, good := e.refine(first, second, c.displacement)
		n += out.Iterations
		if v := e.leaves(&out); good && 2*v < least && out.Pixels >= fewest {
			best, ok, least, from = out, true, v, c.displacement
		}
	}
	if ok { // so that what the estimator holds is that of the best
		best, ok = e.refine(first, second, e.shape.nearest(best.X, best.Y))
	}
	best.Iterations += n
	return best, ok
}

// nowhere reports whether nothing is to be seen at any displacement, as nothing is at one: too few pixels, or light
// without texture. That of a picture that moved far looks flat as well, beside all that is left over there.
func (e *Estimator) nowhere(out *Estimate) bool {
	const much = 16 // times the variance that is expected at least (our choice, no source)
	return out.Refused == Clipped || out.Refused == Flat && out.left <= much*e.o.NoiseFloor*e.o.NoiseFloor
}

// leaves is the noise that an estimate leaves, and what is expected of it at least.
func (e *Estimator) leaves(out *Estimate) float64 {
	least := max(e.o.Noise*e.o.Noise, e.o.NoiseFloor*e.o.NoiseFloor)
	return max(out.left, least) * (1 + 20/max(1, float64(out.Pixels)))
}

func (e *Estimator) look(first, second []float64) (found candidates) {
	rows, columns := e.shape.Rows/2, e.shape.Columns/2
	step := e.shape.step()
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
				found.add(candidate{d, e.difference(first, second, d, step)})
			}
		}
	}
	return found
}

const (
	// mostDifferences is about how many differences of pixels a search works out: some tenths of a second.
	mostDifferences = 1 << 28
	// leastCompared is how many pixels are compared of each displacement all the same, where all are in common.
	leastCompared = 256
)

// step is which pixels of a row are compared in a search: every one of frames up to 128 x 128, and fewer of larger
// ones, of which there are more displacements. Those that it chooses between are compared whole after that.
func (s Shape) step() int {
	n := s.Rows * s.Columns
	return max(1, n/max(leastCompared, mostDifferences/n))
}

// difference is the variance of what two frames differ by under a displacement; few pixels in common count as worse,
// since they agree more easily by chance. In each row it begins elsewhere, so that stripes as wide as a step do not
// look alike everywhere.
func (e *Estimator) difference(first, second []float64, d displacement, step int) float64 {
	var n, sum, squares float64
	w, c := e.shape.Columns, e.common
	for row := c.top; row < c.bottom; row++ {
		i := row*w + c.left
		j := i + d.rows*w + d.columns(e.shape, row)
		a := first[i:][:c.right-c.left]
		b := second[j:][:len(a)]
		_, begin := math.Modf(float64(row) * math.Phi)
		for k := int(begin * float64(step)); k < len(a); k += step {
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

// length is the square of that of a displacement, in half columns.
func (d displacement) length() int { return 4*d.rows*d.rows + d.halves*d.halves }
