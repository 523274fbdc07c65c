package motion

import "math"

// leastPixels is of how many pixels something is told.
const leastPixels = 8

// sums are those over all pixels with gradients: of 1, the gradients and the difference, and of their products.
type sums struct {
	n, x, y, t, xx, xy, yy, xt, yt, tt float64
	all                                int
	passed                             float64 // by the smoothing filter, of the noise at the texture's own fineness
}

func (e *Estimator) add() (s sums) {
	f, w := &e.fields, e.shape.Columns
	for row := f.top; row < f.bottom; row++ {
		i, n := row*w+f.left, f.right-f.left
		gx, gy, ts := f.gx[i:][:n], f.gy[i:][:n], f.t[i:][:n]
		for k := range n {
			x, y, t := gx[k], gy[k], ts[k]
			if t != t || x != x || y != y {
				continue
			}
			s.n++
			s.x += x
			s.y += y
			s.t += t
			s.xx += x * x
			s.xy += x * y
			s.yy += y * y
			s.xt += x * t
			s.yt += y * t
			s.tt += t * t
		}
	}
	s.all = (f.bottom - f.top) * (f.right - f.left)
	return s
}

// again takes the differences anew, and how alike gradients beside each other are.
func (s *sums) again(e *Estimator) {
	f, w := &e.fields, e.shape.Columns
	s.t, s.xt, s.yt, s.tt = 0, 0, 0, 0
	var l alike
	for row := f.top; row < f.bottom; row++ {
		i, n := row*w+f.left, f.right-f.left
		gx, gy, ts := f.gx[i:][:n], f.gy[i:][:n], f.t[i:][:n]
		below := i
		if row+1 < f.bottom {
			below += w
		}
		bx, by := f.gx[below:][:n], f.gy[below:][:n]
		var lastX, lastY float64
		for k := range n {
			x, y, t := gx[k], gy[k], ts[k]
			if t != t || x != x || y != y {
				continue
			}
			s.t += t
			s.xt += x * t
			s.yt += y * t
			s.tt += t * t
			dx, dy, rx, ry := x-lastX, y-lastY, x-bx[k], y-by[k]
			if lastX = x; k > 0 {
				l.columns += dx*dx + dy*dy
			}
			if lastY = y; rx == rx && ry == ry {
				l.rows += rx*rx + ry*ry
			}
		}
	}
	s.passed = e.passed(&l, s)
}

// alike are the squares of the differences of gradients beside each other: along a row, and from one to the next.
type alike struct{ columns, rows float64 }

// passed is which part of the noise the smoothing filter lets through where it matters, at the finest of the texture:
// white noise is smoothed as a whole by its sum of squares, and at k radians a pixel by (1 - 2b (1 - cos k))^2 along a
// row, where 1 - cos k is what gradients beside each other differ by.
func (e *Estimator) passed(l *alike, s *sums) float64 {
	power, n := s.xx+s.yy, s.n
	if !(power > 0) || !(n > 0) {
		return 1
	}
	f := &e.fields
	rows, columns := float64(f.bottom-f.top), float64(f.right-f.left)
	part := func(squares, lines float64) float64 { // 1 - cos k
		if lines < 2 {
			return 0
		}
		return min(2, squares/(2*power)*lines/(lines-1))
	}
	x, y := part(l.columns, columns), part(l.rows, rows)
	pass := 1.0
	switch e.kind {
	case planar:
		pass = (1 - 2*e.b*x) * (1 - 2*e.b*y)
	case hexagonal: // rows beside each other are half a column apart, and so are less alike than along their axes
		pass = 1 - e.b*(x+2*y)
	case alongRows:
		pass = 1 - 2*e.b*x
	case alongColumns:
		pass = 1 - 2*e.b*y
	}
	return max(pass*pass, e.power.smooth)
}

// passing is passed, and all before that is known.
func (s *sums) passing() float64 {
	if s.passed == 0 {
		return 1
	}
	return s.passed
}

// residual is the variance of the noise of a pixel of one frame, by what is left over with both directions, and its
// degrees of freedom: smoothing makes neighbours' equations alike.
func (e *Estimator) residual(m eigen, xt, yt, tt, told float64) (variance, free float64) {
	free = max(1, e.sums.n-(told*e.sums.passing()+1)/math.Sqrt(e.power.smooth))
	// Of that variance an equation has this: in the difference of both frames, and in the gradients that the shift from
	// whole pixels multiplies.
	x, y := m.shift(xt, yt)
	y *= e.shape.rowPitch()
	return m.left(xt, yt, tt) / free / (2*e.power.smooth + (x*x*e.power.x+y*y*e.power.y)/2), free
}

// solve makes an estimate of the sums.
func (e *Estimator) solve() Estimate {
	s := e.sums
	out := Estimate{Pixels: int(s.n)}
	out.BeforeX, out.BeforeY = e.before.shift()
	if s.all > 0 {
		out.Valid = s.n / float64(s.all)
	}
	if s.n < leastPixels {
		out.Refused = Clipped
		if out.Valid == 1 {
			out.Refused = Flat
		}
		return out
	}
	bx, by := e.before.shift()
	// t - (bx gx + by gy) = -(X gx + Y gy) + offset, with the means taken off; rows in units of columns.
	p := e.shape.rowPitch()
	xx, xy, yy := s.xx-s.x*s.x/s.n, (s.xy-s.x*s.y/s.n)/p, (s.yy-s.y*s.y/s.n)/(p*p)
	xt, yt, tt := s.xt-s.x*s.t/s.n, (s.yt-s.y*s.t/s.n)/p, max(0, s.tt-s.t*s.t/s.n)
	m := newEigen(xx, xy, yy)
	told := 2.0
	if e.kind == alongRows || e.kind == alongColumns {
		told = 1
	}
	residual, free := e.residual(m, xt, yt, tt, told)
	out.left = residual
	noise, sure := residual, free*e.power.smooth
	if e.o.Noise > 0 {
		noise = e.o.Noise * e.o.Noise
		out.ChiSquared = residual / noise
		if out.ChiSquared <= 1 {
			sure = math.Inf(1)
		}
		noise *= max(1, out.ChiSquared)
	}
	seen, seenSure := noise, sure
	if floor := e.o.NoiseFloor * e.o.NoiseFloor; floor > noise {
		noise, sure = floor, math.Inf(1)
	}
	out.Noise = math.Sqrt(noise)
	// Gradients that noise makes: of the mean of both frames, and of a pattern that both have.
	own := s.n * (noise/2 + e.o.Pattern*e.o.Pattern) * max(e.power.x, e.power.y)
	needed := own * beyondChance(s.n*e.power.smooth, sure)
	// What few pixels leave over may be below the floor by chance, and the noise still above it.
	needed = max(needed, s.n*seen/2*max(e.power.x, e.power.y)*beyondChance(s.n*e.power.smooth, seenSure))
	if own > 0 {
		out.Texture = max(0, xx+yy-told*own) / (told * own)
	} else if xx+yy > 0 {
		out.Texture = math.Inf(1)
	}
	if !(m.large > needed) || !(m.large > tiny*math.Max(math.Abs(s.xx), s.yy)) {
		out.Refused = Flat
		return out
	}
	e.shiftOf(&out, m, xt, yt, own, needed, noise)
	out.X += bx
	out.Y = out.Y/p + by
	out.XY, out.YY = out.XY/p, out.YY/(p*p)
	out.Offset = (s.t + (out.X-bx)*s.x + (out.Y-by)*s.y) / s.n
	return out
}

const (
	// tiny is what rounding leaves of the sum of squares of gradients that are all alike.
	tiny = 1e-20
	// systematic is the standard deviation, as a part of the shift from whole pixels, of what filters of three pixels
	// make of it without any noise, in pictures as sharp as lenses show them; a test finds it.
	systematic = 0.0055
	// coarse is that of coarser ones, over the part that smoothing takes of their texture: at k radians a pixel the
	// pair is wrong by (1/6 - b) k^2 where it takes b k^2.
	coarse = (Smoothing - 1.0/6) / Smoothing
)

// beyondChance is the ratio of two sums of squares of noise that is exceeded once in 300,000 times (4.5 standard
// deviations), with so many degrees of freedom (Wilson and Hilferty, 1931, and for a ratio Paulson, 1942; from memory).
// With few in the divisor nothing is beyond chance; the least that is taken for it keeps the ratio below some hundred.
func beyondChance(of, by float64) float64 {
	const deviations, least = 4.5, 0.5
	a, b := 2/(9*of), 2/(9*by)
	r := (1 - a + deviations*math.Sqrt(a)) / max(least, 1-b-deviations*math.Sqrt(b))
	return r * r * r
}

// shiftOf puts the shift together along the two directions in which gradients are strongest and weakest, in columns,
// relative to the displacement. Along one of which nothing is told it is 0, as uncertain as the frame is large.
func (e *Estimator) shiftOf(out *Estimate, m eigen, xt, yt, own, needed, noise float64) {
	pass := e.sums.passing()
	side := float64(max(e.shape.Rows, e.shape.Columns))
	for _, d := range []struct{ x, y, v float64 }{{m.x, m.y, m.large}, {-m.y, m.x, m.small}} {
		shift, variance := 0.0, side*side
		if d.v > needed && d.v > 1e-9*m.large {
			v := d.v - own
			shift = -(d.x*xt + d.y*yt) / v
			wrong := min(systematic, coarse*(1-math.Sqrt(pass))) * shift
			variance = 2*noise*pass*d.v/(v*v) + wrong*wrong
		} else {
			bx, by := e.before.shift()
			shift = -(d.x*bx + d.y*by*e.shape.rowPitch())
		}
		out.X += shift * d.x
		out.Y += shift * d.y
		out.XX += variance * d.x * d.x
		out.XY += variance * d.x * d.y
		out.YY += variance * d.y * d.y
	}
}

// eigen are the eigenvalues of a symmetric matrix of two rows, and the direction of the larger.
type eigen struct{ large, small, x, y float64 }

func newEigen(xx, xy, yy float64) eigen {
	half, mean := (xx-yy)/2, (xx+yy)/2
	r := math.Hypot(half, xy)
	m := eigen{large: mean + r, small: mean - r, x: 1}
	if r > 0 {
		a := math.Atan2(xy, half) / 2
		m.y, m.x = math.Sincos(a)
	}
	if m.large > 0 { // by the determinant where the difference would be rounding
		m.small = max(0, (xx*yy-xy*xy)/m.large)
	}
	return m
}

// shift is what least squares says, along the directions that it tells well, and no more than a pixel.
func (m eigen) shift(xt, yt float64) (x, y float64) {
	if m.large > 0 {
		a := (m.x*xt + m.y*yt) / m.large
		x, y = a*m.x, a*m.y
	}
	if m.small > 0.01*m.large {
		a := (m.x*yt - m.y*xt) / m.small
		x, y = x-a*m.y, y+a*m.x
	}
	return clamp(x, 1), clamp(y, 1)
}

// left is what least squares leaves of tt.
func (m eigen) left(xt, yt, tt float64) float64 {
	along, across := m.x*xt+m.y*yt, m.x*yt-m.y*xt
	if m.large > 0 {
		tt -= along * along / m.large
	}
	if m.small > 1e-12*m.large && m.small > 0 {
		tt -= across * across / m.small
	}
	return max(0, tt)
}
