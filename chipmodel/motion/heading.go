package motion

import "math"

// search finds the heading under which least is left over: over the directions of a grid and that of the last time, and
// from the best of them on, downhill. A heading and the opposite one leave the same; of both it is the one under which
// more of what is seen is in front: nearness is above 0.
func (s *Solver) search() (h Vector, best fit) {
	best.left = math.Inf(1)
	try := func(v Vector) {
		if f := s.under(v); f.left < best.left {
			h, best = v, f
		}
	}
	rings, spokes := 9, 18
	if s.heading != (Vector{}) { // it may have changed, but seldom does
		try(s.heading)
		rings, spokes = 5, 9
	}
	for i := range rings { // half of the sphere, evenly
		z := (float64(i) + 0.5) / float64(rings)
		for k := range spokes {
			a := 2*math.Pi*float64(k)/float64(spokes) + float64(i)
			r := math.Sqrt(1 - z*z)
			sin, cos := math.Sincos(a)
			try(Vector{r * cos, r * sin, z})
		}
	}
	h, best = s.downhill(h, best)
	var front float64
	for i := range s.at {
		p := &s.at[i]
		front += dot(h, p.t) - dot(best.rate, p.rt.times(h))
	}
	if front < 0 {
		h = scaled(h, -1)
	}
	return h, best
}

// downhill refines a heading by steps along two directions across it, halved where neither helps.
func (s *Solver) downhill(h Vector, best fit) (Vector, fit) {
	for step := 0.1; step > 1e-7; {
		a, b := across(h)
		// A parabola through the values around it, in both directions.
		g, hess := s.slopes(h, a, b, step, best.left)
		det := hess[0]*hess[2] - hess[1]*hess[1]
		if det > 0 && hess[0] > 0 {
			x, y := -(hess[2]*g[0]-hess[1]*g[1])/det, -(hess[0]*g[1]-hess[1]*g[0])/det
			if l := math.Hypot(x, y); l > 4*step {
				x, y = x*4*step/l, y*4*step/l
			}
			v := turned(h, a, b, x, y)
			if f := s.under(v); f.left < best.left {
				h, best = v, f
			}
		}
		for _, d := range [4][2]float64{{step, 0}, {-step, 0}, {0, step}, {0, -step}} {
			v := turned(h, a, b, d[0], d[1])
			if f := s.under(v); f.left < best.left {
				h, best = v, f
				break
			}
		}
		step /= 3
	}
	return h, best
}

// slopes are the first and second derivatives of what is left over, by differences.
func (s *Solver) slopes(h, a, b Vector, step, here float64) (g [2]float64, hess [3]float64) {
	at := func(x, y float64) float64 { return s.under(turned(h, a, b, x, y)).left }
	px, mx, py, my := at(step, 0), at(-step, 0), at(0, step), at(0, -step)
	g = [2]float64{(px - mx) / (2 * step), (py - my) / (2 * step)}
	pp, mm := at(step, step), at(-step, -step)
	hess[0] = (px - 2*here + mx) / (step * step)
	hess[2] = (py - 2*here + my) / (step * step)
	hess[1] = ((pp+mm-2*here)/(step*step) - hess[0] - hess[2]) / 2
	return g, hess
}

// across are two directions at right angles to a heading and each other.
func across(h Vector) (a, b Vector) {
	a = Vector{1, 0, 0}
	if math.Abs(h[0]) > 0.7 {
		a = Vector{0, 1, 0}
	}
	a = cross(h, a)
	a = scaled(a, 1/math.Sqrt(dot(a, a)))
	return a, cross(h, a)
}

func turned(h, a, b Vector, x, y float64) (v Vector) {
	for k := range 3 {
		v[k] = h[k] + x*a[k] + y*b[k]
	}
	return scaled(v, 1/math.Sqrt(dot(v, v)))
}

// orient says how sure heading and rate are together: by the curvature of what is left over around the heading, half of
// which is the information, and by how the best rate follows the heading.
func (s *Solver) orient(b *Body, h Vector, grow float64) {
	const step = 1e-3
	x, y := across(h)
	here := s.under(h)
	_, hess := s.slopes(h, x, y, step, here.left)
	// Twice the sum of squares' curvature is the information: here the sum is of whole squares.
	i00, i01, i11 := hess[0]/2, hess[1]/2, hess[2]/2
	b.Heading = h
	det := i00*i11 - i01*i01
	c00, c01, c11 := math.Pi*math.Pi, 0.0, math.Pi*math.Pi // nothing is told of it
	if det > 0 && i00 > 0 {
		c00, c01, c11 = min(c00, i11/det*grow), -i01/det*grow, min(c11, i00/det*grow)
	}
	b.HeadingCovariance.plus(outer(x, x), c00)
	b.HeadingCovariance.plus(outer(x, y), c01)
	b.HeadingCovariance.plus(outer(y, x), c01)
	b.HeadingCovariance.plus(outer(y, y), c11)
	b.RateCovariance = times(b.RateCovariance, grow)
	px, py := s.under(turned(h, x, y, step, 0)).rate, s.under(turned(h, x, y, 0, step)).rate
	for k := range 3 {
		px[k], py[k] = (px[k]-here.rate[k])/step, (py[k]-here.rate[k])/step
	}
	b.RateCovariance.plus(outer(px, px), c00)
	b.RateCovariance.plus(outer(px, py), c01)
	b.RateCovariance.plus(outer(py, px), c01)
	b.RateCovariance.plus(outer(py, py), c11)
}
