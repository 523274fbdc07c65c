package motion

import "math"

// plain finds turn and way as simply as can be, for comparison: the best turn under each of many headings, with all
// lenses in one place, and from the best of them on by steps that are halved.
type plain struct{ at []block }

func (s *plain) under(h Vector) (f fit) {
	var b Vector
	var square float64
	for i := range s.at {
		p := &s.at[i]
		f.info.plus(p.rr, 1)
		rh := p.rt.times(h)
		hh, th := dot(h, p.tt.times(h)), dot(h, p.t)
		add := p.r
		if s.tells(p, hh) {
			f.info.plus(outer(rh, rh), -1/hh)
			for k := range 3 {
				add[k] -= rh[k] * th / hh
			}
			square -= th * th / hh
		}
		for k := range 3 {
			b[k] += add[k]
		}
	}
	f.rate, _, f.told = solve3(f.info, b, blind)
	f.left = square - dot(f.rate, b)
	return f
}

// tells reports whether way along a heading shows in a chip's picture at all: straight ahead of one that looks along
// it, only around the middle.
func (s *plain) tells(p *block, hh float64) bool {
	return hh > 1e-9*(p.tt[0][0]+p.tt[1][1]+p.tt[2][2]) && hh > 0
}

// search finds the heading under which least is left over: over the directions of a grid, and
// from the best of them on, downhill. A heading and the opposite one leave the same; of both it is the one under which
// more of what is seen is in front: nearness is above 0.
func (s *plain) search() (h Vector, best fit) {
	best.left = math.Inf(1)
	try := func(v Vector) {
		if f := s.under(v); f.left < best.left {
			h, best = v, f
		}
	}
	rings, spokes := 9, 18
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
func (s *plain) downhill(h Vector, best fit) (Vector, fit) {
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
func (s *plain) slopes(h, a, b Vector, step, here float64) (g [2]float64, hess [3]float64) {
	at := func(x, y float64) float64 { return s.under(turned(h, a, b, x, y)).left }
	px, mx, py, my := at(step, 0), at(-step, 0), at(0, step), at(0, -step)
	g = [2]float64{(px - mx) / (2 * step), (py - my) / (2 * step)}
	pp, mm := at(step, step), at(-step, -step)
	hess[0] = (px - 2*here + mx) / (step * step)
	hess[2] = (py - 2*here + my) / (step * step)
	hess[1] = ((pp+mm-2*here)/(step*step) - hess[0] - hess[2]) / 2
	return g, hess
}

func turned(h, a, b Vector, x, y float64) (v Vector) {
	for k := range 3 {
		v[k] = h[k] + x*a[k] + y*b[k]
	}
	return scaled(v, 1/math.Sqrt(dot(v, v)))
}
