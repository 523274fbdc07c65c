package motion

import "math"

// uneven is by how many pixels the shift of a corner may differ from that of the middle, and its square be taken for
// the same: straighten then leaves a thousandth of the shift there (our choice, no source).
const uneven = 0.15

// explain is the turn and way of a part, of which not every direction need be told, and what they leave of the squares.
func (s *normal) explain() (motion vector7, left float64, ok bool) {
	var m matrix7
	var trace float64
	for j := range unknowns {
		for k := range unknowns {
			m[j][k] = s.cc[index(min(j, k), max(j, k))] - s.c[j]*s.c[k]/s.n
		}
		trace += m[j][j]
		motion[j] = s.ct[j] - s.c[j]*s.t/s.n
	}
	for j := range unknowns {
		m[j][j] += 1e-9 * trace
	}
	towards := motion
	if !m.solve(&motion, unknowns) {
		return motion, 0, false
	}
	left = s.tt - s.t*s.t/s.n
	for j := range unknowns {
		left -= motion[j] * towards[j]
	}
	return motion, left, true
}

// straightenLocally takes from the differences what the shift of each pixel makes of them beyond the first order, in
// the place of what the shift of the whole frame does, by which they were straightened. Where the picture turns about
// the middle, corners move far while the whole does not: a turn of 40 degrees a second about the line of sight would be
// told two to four parts of a hundred too fast.
func (e *Estimator) straightenLocally(r *Rays, n *normal, est *Estimate) {
	if e.o.FirstOrder || e.locally || n.n < leastPixels || e.narrow() {
		return
	}
	motion, _, ok := n.explain()
	x, y := est.X-est.BeforeX, est.Y-est.BeforeY
	if !ok || !e.uneven(r, &motion, x, y) {
		return
	}
	e.straighten(-e.evenX, -e.evenY) // which is of the third order: it undoes what was done
	e.local(r, &motion)
	e.locally = true
}

// uneven reports whether corners move otherwise than the whole.
func (e *Estimator) uneven(r *Rays, motion *vector7, x, y float64) bool {
	f := &e.fields
	for _, row := range [2]int{f.top, f.bottom - 1} {
		for _, column := range [2]int{f.left, f.right - 1} {
			right, down := e.moved(&e.halfWay(r, row, column, 1)[0], motion)
			if math.Hypot(right-x, down-y) > uneven {
				return true
			}
		}
	}
	return false
}

// moved is by how much a pixel's light moved on from whole pixels, and at most what is known well enough.
func (e *Estimator) moved(p *ray, motion *vector7) (right, down float64) {
	const most = 1.25
	right, down = e.before.shift()
	right, down = -right, -down
	for j := range unknowns {
		right -= p.right[j] * motion[j]
		down -= p.down[j] * motion[j]
	}
	return max(-most, min(most, right)), max(-most, min(most, down))
}

// local straightens with the shift of each pixel.
func (e *Estimator) local(r *Rays, motion *vector7) {
	f, w := &e.fields, e.shape.Columns
	right, down, along := e.smoothMean, e.slopeMean, e.mean // none of which is needed any more
	for row := f.top; row < f.bottom; row++ {
		rays := e.halfWay(r, row, f.left, f.right-f.left)
		for k := range rays {
			i := row*w + f.left + k
			right[i], down[i] = e.moved(&rays[k], motion)
			along[i] = right[i]*f.gx[i] + down[i]*f.gy[i]
		}
	}
	for row := f.top; row < f.bottom; row++ {
		for k := f.left; k < f.right; k++ {
			i := row*w + k
			if v := e.third(along, e.inside(row), max(f.left+1, min(f.right-2, k)), right[i], down[i]); v == v {
				f.t[i] -= v
			}
		}
	}
}

// inside is a row that has rows beside it, itself or one near it that is shifted alike where there is one.
func (e *Estimator) inside(row int) int {
	f := &e.fields
	if e.kind == alongRows {
		return row
	}
	middle := max(f.top+1, min(f.bottom-2, row))
	if e.kind == hexagonal && (middle-row)&1 != 0 {
		if next := middle + middle - row; next > f.top && next < f.bottom-1 {
			middle = next
		}
	}
	return middle
}

// third is a twelfth of the second derivative along a shift of what lies along it.
func (e *Estimator) third(along []float64, row, column int, x, y float64) float64 {
	w := e.shape.Columns
	i := row*w + column
	h := 2 * along[i]
	switch e.kind {
	case alongRows:
		return x * x / 12 * (along[i+1] - h + along[i-1])
	case alongColumns:
		return y * y / 12 * (along[i+w] - h + along[i-w])
	case hexagonal:
		y *= e.shape.rowPitch()
		u, d := i-w+e.shape.halves(row)-1, i+w+e.shape.halves(row)-1
		return (x*x-y*y/3)/12*(along[i+1]-h+along[i-1]) +
			(2*y*y/3+2*x*y/math.Sqrt(3))/12*(along[d+1]-h+along[u]) +
			(2*y*y/3-2*x*y/math.Sqrt(3))/12*(along[u+1]-h+along[d])
	}
	return x*x/12*(along[i+1]-h+along[i-1]) + y*y/12*(along[i+w]-h+along[i-w]) +
		x*y/24*(along[i+w+1]-along[i+w-1]-along[i-w+1]+along[i-w-1])
}
