package motion

import "math"

// straighten takes from the differences what a shift makes of them beyond the first order. The mean of two pictures
// that are u apart and their difference differ, at k radians a pixel, by 2 tan(ku/2), which is ku + (ku)^3/12: that is
// -(u.grad) of the mean and a twelfth of its third derivative along u. With the shift as it was found first, the second
// difference of the gradient along it gives that for each pixel; those at the edge have the one beside theirs.
func (e *Estimator) straighten(x, y float64) {
	const most = 0.75 // beyond that nothing is known well enough
	x, y = max(-most, min(most, x)), max(-most, min(most, y))
	f, w := &e.fields, e.shape.Columns
	if e.narrow() {
		return
	}
	along := e.mean // which is not needed any more
	for row := f.top; row < f.bottom; row++ {
		i, n := row*w+f.left, f.right-f.left
		gx, gy, h := f.gx[i:][:n], f.gy[i:][:n], along[i:][:n]
		for k := range n {
			h[k] = x*gx[k] + y*gy[k]
		}
	}
	switch e.kind {
	case planar:
		e.straightenPlanar(along, x, y)
	case hexagonal:
		e.straightenHexagonal(along, x, y)
	case alongRows:
		e.straightenLine(along, x, 1)
	case alongColumns:
		e.straightenLine(along, y, w)
	}
}

// narrow reports whether there are too few pixels for second differences.
func (e *Estimator) narrow() bool {
	f := &e.fields
	rows, columns := f.bottom-f.top, f.right-f.left
	switch e.kind {
	case alongRows:
		return rows < 1 || columns < 3
	case alongColumns:
		return rows < 3 || columns < 1
	}
	return rows < 3 || columns < 3
}

func (e *Estimator) straightenPlanar(along []float64, x, y float64) {
	f, w := &e.fields, e.shape.Columns
	xx, xy, yy := x*x/12, x*y/24, y*y/12
	for row := f.top; row < f.bottom; row++ {
		from := max(f.top+1, min(f.bottom-2, row))*w + f.left
		n := f.right - f.left
		h0, h1, h2 := along[from-w:][:n], along[from:][:n], along[from+w:][:n]
		t := f.t[row*w+f.left:][:n]
		for k := 1; k < n-1; k++ {
			v := xx*(h1[k+1]-2*h1[k]+h1[k-1]) + yy*(h2[k]-2*h1[k]+h0[k]) + xy*(h2[k+1]-h2[k-1]-h0[k+1]+h0[k-1])
			if v != v { // beside a hole
				v = 0
			}
			t[k] -= v
			if k == 1 {
				t[0] -= v
			}
			if k == n-2 {
				t[n-1] -= v
			}
		}
	}
}

// straightenHexagonal writes the shift as a sum over the three axes: x x' = sum of c a a', with their unit vectors a.
func (e *Estimator) straightenHexagonal(along []float64, x, y float64) {
	f, w := &e.fields, e.shape.Columns
	y *= e.shape.rowPitch()
	flat := (x*x - y*y/3) / 12
	falling, rising := (2*y*y/3+2*x*y/math.Sqrt(3))/12, (2*y*y/3-2*x*y/math.Sqrt(3))/12
	for row := f.top; row < f.bottom; row++ {
		middle := max(f.top+1, min(f.bottom-2, row))
		if (middle-row)&1 != 0 { // a row that is shifted alike, where there is one
			if next := middle + middle - row; next > f.top && next < f.bottom-1 {
				middle = next
			}
		}
		from, n, k0 := middle*w+f.left, f.right-f.left, e.shape.halves(middle)-1
		t := f.t[row*w+f.left:][:n]
		for k := range n {
			i := from + max(1, min(n-2, k))
			u, d := i-w+k0, i+w+k0
			h := 2 * along[i]
			v := flat*(along[i+1]-h+along[i-1]) + falling*(along[d+1]-h+along[u]) + rising*(along[u+1]-h+along[d])
			if v == v { // no hole is beside it
				t[k] -= v
			}
		}
	}
}

func (e *Estimator) straightenLine(along []float64, by float64, step int) {
	f, w := &e.fields, e.shape.Columns
	by = by * by / 12
	for row := f.top; row < f.bottom; row++ {
		for k := f.left; k < f.right; k++ {
			r, c := row, max(f.left+1, min(f.right-2, k))
			if e.kind == alongColumns {
				r, c = max(f.top+1, min(f.bottom-2, row)), k
			}
			i := r*w + c
			if v := by * (along[i+step] - 2*along[i] + along[i-step]); v == v { // no hole is beside it
				f.t[row*w+k] -= v
			}
		}
	}
}
