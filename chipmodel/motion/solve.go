package motion

import "math"

// leastPixels is of how many pixels something is told.
const leastPixels = 8

// sums are those over all pixels with gradients: of 1, the gradients and the difference, and of their products.
type sums struct {
	n, x, y, t, xx, xy, yy, xt, yt, tt float64
	all                                int
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
	// What is left over, first with both directions.
	left := m.left(xt, yt, tt)
	told := 2.0
	if e.kind == alongRows || e.kind == alongColumns {
		told = 1
	}
	free := max(1, s.n-(told+1)/math.Sqrt(e.power.smooth)) // smoothing makes neighbours' equations alike
	residual := left / free / e.power.smooth / 2           // variance of the noise of a pixel of one frame
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
	systematic = 0.003
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
	side := float64(max(e.shape.Rows, e.shape.Columns))
	s2 := 2 * noise * e.power.smooth // variance of the noise of an equation
	for _, d := range []struct{ x, y, v float64 }{{m.x, m.y, m.large}, {-m.y, m.x, m.small}} {
		shift, variance := 0.0, side*side
		if d.v > needed && d.v > 1e-9*m.large {
			v := d.v - own
			shift = -(d.x*xt + d.y*yt) / v
			variance = s2*d.v/(v*v)/e.power.smooth + systematic*systematic*shift*shift
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
