package motion

import "facetd.example/chipmodel/analog"

// Smoothing is b of the matched pair: by it the error of a shift is least over the band from 1/12 to 1/4 of a period a
// pixel, where 1/6 would be best for gratings much longer than that.
const Smoothing = 0.18

// power is what filters make of white noise of a variance of 1 a pixel.
type power struct {
	smooth float64 // variance of a smoothed pixel
	x, y   float64 // variances of the gradients along a row and along a column
}

// powers are those of a kind, with the smoothing b of the pair; on a hexagonal lattice each of six neighbours has b/2,
// so that 1/6 is of the fourth order there as well.
func (k kind) powers(b float64) power {
	line := 2*b*b + (1-2*b)*(1-2*b)
	switch k {
	case planar:
		return power{smooth: line * line, x: line / 2, y: line / 2}
	case hexagonal:
		return power{smooth: (1-3*b)*(1-3*b) + 6*(b/2)*(b/2), x: 1.0 / 3, y: 1.0 / 4}
	case alongColumns:
		return power{smooth: line, y: 0.5}
	}
	return power{smooth: line, x: 0.5}
}

// fields are what the filters make of a pair of frames, for the pixels that have all neighbours: rows first to last and
// columns likewise, each in a row of the frame's own length.
type fields struct {
	area      // of the pixels that are told of
	gx, gy, t []float64
}

// area is a rectangle of pixels; its lower and right ends are not within.
type area struct{ top, bottom, left, right int }

// filter smooths and differentiates the mean and the difference of a pair, which are given for the pixels of area.
func (e *Estimator) filter() {
	switch e.kind {
	case planar:
		e.planar()
	case hexagonal:
		e.hexagonal()
	case alongRows:
		e.line(1)
	case alongColumns:
		e.line(e.shape.Columns)
	}
}

// planar is the pair on a square lattice, along the rows first.
func (e *Estimator) planar() {
	a, w, b, c := &e.common, e.shape.Columns, e.b, 1-2*e.b
	for row := a.top; row < a.bottom; row++ {
		from, to := row*w+a.left, row*w+a.right
		mean, diff := e.mean[from:to], e.diff[from:to]
		ps, ds, pd := e.smoothMean[from:to], e.slopeMean[from:to], e.smoothDiff[from:to]
		diff, ps, ds, pd = diff[:len(mean)], ps[:len(mean)], ds[:len(mean)], pd[:len(mean)]
		for i := 1; i < len(mean)-1; i++ {
			l, r := mean[i-1], mean[i+1]
			ps[i] = c*mean[i] + b*(l+r)
			ds[i] = (r - l) / 2
			pd[i] = c*diff[i] + b*(diff[i-1]+diff[i+1])
		}
	}
	f := &e.fields
	f.top, f.bottom, f.left, f.right = a.top+1, a.bottom-1, a.left+1, a.right-1
	for row := f.top; row < f.bottom; row++ {
		from, n := row*w+f.left, f.right-f.left
		ds0, ds1, ds2 := e.slopeMean[from-w:][:n], e.slopeMean[from:][:n], e.slopeMean[from+w:][:n]
		ps0, ps2 := e.smoothMean[from-w:][:n], e.smoothMean[from+w:][:n]
		pd0, pd1, pd2 := e.smoothDiff[from-w:][:n], e.smoothDiff[from:][:n], e.smoothDiff[from+w:][:n]
		gx, gy, t := f.gx[from:][:n], f.gy[from:][:n], f.t[from:][:n]
		for i := range n {
			gx[i] = c*ds1[i] + b*(ds0[i]+ds2[i])
			gy[i] = (ps2[i] - ps0[i]) / 2
			t[i] = c*pd1[i] + b*(pd0[i]+pd2[i])
		}
	}
}

// hexagonal takes the differences along the three axes of the lattice together: with the unit vectors a of the axes the
// gradient is a third of the sum of a (f(+a) - f(-a)).
func (e *Estimator) hexagonal() {
	a, w, b, c := &e.common, e.shape.Columns, e.b/2, 1-3*e.b
	f := &e.fields
	f.top, f.bottom, f.left, f.right = a.top+1, a.bottom-1, a.left+1, a.right-1
	for row := f.top; row < f.bottom; row++ {
		// In the rows beside it the neighbours are the pixel of the same column and the one before, of a row that is
		// shifted the same and the one behind.
		from, n, k := row*w+f.left, f.right-f.left, e.shape.halves(row)-1
		m, d := e.mean[from-1:][:n+2], e.diff[from-1:][:n+2]
		mu, mb := e.mean[from-w+k:][:n+1], e.mean[from+w+k:][:n+1]
		du, db := e.diff[from-w+k:][:n+1], e.diff[from+w+k:][:n+1]
		gx, gy, t := f.gx[from:][:n], f.gy[from:][:n], f.t[from:][:n]
		for i := range n {
			falling, rising := mb[i+1]-mu[i], mu[i+1]-mb[i] // along the axes at 60 degrees downwards and upwards
			gx[i] = (m[i+2] - m[i] + (falling+rising)/2) / 3
			// In columns it is sqrt(3)/2 of the two; a row is sqrt(3)/2 of a column.
			gy[i] = (falling - rising) * (analog.HexRowPitch * analog.HexRowPitch / 3)
			t[i] = c*d[i+1] + b*(d[i]+d[i+2]+du[i]+du[i+1]+db[i]+db[i+1])
		}
	}
}

// line is the pair along lines whose pixels are a step apart.
func (e *Estimator) line(step int) {
	a, w, b, c := &e.common, e.shape.Columns, e.b, 1-2*e.b
	f := &e.fields
	f.top, f.bottom, f.left, f.right = a.top, a.bottom, a.left+1, a.right-1
	along, across := f.gx, f.gy
	if e.kind == alongColumns { // a step is 1 there, too, of frames of one column
		f.top, f.bottom, f.left, f.right = a.top+1, a.bottom-1, a.left, a.right
		along, across = f.gy, f.gx
	}
	for row := f.top; row < f.bottom; row++ {
		for i := row*w + f.left; i < row*w+f.right; i++ {
			along[i] = (e.mean[i+step] - e.mean[i-step]) / 2
			across[i] = 0
			f.t[i] = c*e.diff[i] + b*(e.diff[i-step]+e.diff[i+step])
		}
	}
}
