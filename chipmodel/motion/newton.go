package motion

import "math"

// Unknowns of the body: its turn, its way, and one over its speed.
const (
	bodyWay     = 3
	bodyInverse = 6
	bodySize    = 7
)

type (
	vector7 [bodySize]float64
	matrix7 [bodySize][bodySize]float64
)

// slope is half of what is left over at a turn and a way, less what is there under any motion, with the nearness of
// every block at its best, and the first and second derivatives of that.
type slope struct {
	half  float64
	first vector7
	hess  matrix7
}

// slopeAt works them out in one walk through the blocks. With c = t - rt' w and the way u of a block's lens, what is
// left is
//
//	w.rr w/2 - r.w - (u.c)^2 / (2 u.tt u)
//
// whose best nearness is n = u.c / u.tt u. With e = c - n tt u and b = n tt u - e the derivatives are, by the turn at
// a fixed way, rr w - r + n rt u, and by the way -n e; the second ones rr - (rt u)(rt u)'/(u.tt u), n rt - (rt u) b'
// /(u.tt u) and n^2 tt - b b'/(u.tt u): those of the squares in which the nearness is an unknown as well, with that
// eliminated.
func (s *blocks) slopeAt(turn *Vector, w *way, out *slope) {
	*out = slope{}
	rw := s.rr.times(*turn)
	out.half = dot(*turn, rw)/2 - dot(s.r, *turn)
	for i := range 3 {
		out.first[i] = rw[i] - s.r[i]
		for j := range 3 {
			out.hess[i][j] = s.rr[i][j]
		}
	}
	for i := 0; i < len(s.list); {
		var one lens
		chip := s.list[i].chip
		u := w.of(&s.list[i], turn)
		place := s.list[i].place
		for ; i < len(s.list) && s.list[i].chip == chip; i++ {
			one.add(&s.list[i], turn, &u)
		}
		one.into(out, turn, w, &place)
	}
	for i := range bodySize {
		for j := range i {
			out.hess[i][j] = out.hess[j][i]
		}
	}
}

// lens is what the blocks of one chip add, by the turn and by the way of its lens.
type lens struct {
	half       float64
	turn, way  Vector
	ww, wu, uu Matrix3 // of ww and uu the upper triangle
}

func (l *lens) add(p *block, turn, u *Vector) {
	ru, tu, uu := p.share(u)
	if !p.tells(u, uu) {
		return
	}
	k, m := 1/uu, &p.rt
	var e, b Vector
	for j := range 3 {
		e[j] = p.t[j] - (m[0][j]*turn[0] + m[1][j]*turn[1] + m[2][j]*turn[2])
	}
	n := k * (u[0]*e[0] + u[1]*e[1] + u[2]*e[2])
	l.half -= n * n * uu / 2
	for j := range 3 {
		e[j] -= n * tu[j]
		b[j] = n*tu[j] - e[j]
	}
	nn := n * n
	for i := range 3 {
		l.turn[i] += n * ru[i]
		l.way[i] -= n * e[i]
		kr, kb := k*ru[i], k*b[i]
		for j := range 3 {
			l.wu[i][j] += n*m[i][j] - kr*b[j]
		}
		for j := i; j < 3; j++ {
			l.ww[i][j] -= kr * ru[j]
			l.uu[i][j] += nn*p.tt[i][j] - kb*b[j]
		}
	}
}

// into adds it to all of the body's unknowns. The way of a lens at p is v + i (w x p): it changes by -i p x dw with the
// turn and by w x p with i, and with both by -p x dw di.
func (l *lens) into(out *slope, turn *Vector, w *way, place *Vector) {
	out.half += l.half
	for i := range 3 {
		out.first[i] += l.turn[i]
		out.first[bodyWay+i] += l.way[i]
		for j := range 3 {
			out.hess[i][bodyWay+j] += l.wu[i][j]
		}
		for j := i; j < 3; j++ {
			out.hess[i][j] += l.ww[i][j]
			out.hess[bodyWay+i][bodyWay+j] += l.uu[i][j]
		}
	}
	if *place == (Vector{}) {
		return
	}
	l.uu[1][0], l.uu[2][0], l.uu[2][1] = l.uu[0][1], l.uu[0][2], l.uu[1][2]
	p, g := *place, cross(*turn, *place)
	// The rows of a are the changes of the way with the turn: e_i x p.
	a := Matrix3{{0, -w.inverse * p[2], w.inverse * p[1]}, {w.inverse * p[2], 0, -w.inverse * p[0]},
		{-w.inverse * p[1], w.inverse * p[0], 0}}
	both := cross(p, l.way)
	ug := l.uu.times(g)
	for i := range 3 {
		out.first[i] += dot(a[i], l.way)
		ua := l.uu.times(a[i])
		for j := range 3 {
			out.hess[i][bodyWay+j] += ua[j]
		}
		for j := i; j < 3; j++ {
			out.hess[i][j] += dot(l.wu[i], a[j]) + dot(l.wu[j], a[i]) + dot(ua, a[j])
		}
		out.hess[i][bodyInverse] += dot(l.wu[i], g) + dot(a[i], ug) + both[i]
		out.hess[bodyWay+i][bodyInverse] += ug[i]
	}
	out.first[bodyInverse] += dot(g, l.way)
	out.hess[bodyInverse][bodyInverse] += dot(g, ug)
}

// refine walks downhill from a turn and a way by Newton's method, with as much of the diagonal added as it takes to go
// down (Levenberg, 1944, and Marquardt, 1963; from memory). Only the direction of a way shows: along itself it is held.
// It reports whether it came to the end within the steps that it has: where a step is shorter than shows, or leaves
// less by a ten-thousandth of a standard deviation of the noise, in squares.
func (s *blocks) refine(turn *Vector, w *way, apart float64) (ended bool) {
	const most, fine, least = 40, 1e-5, 1e-8 // what is wrong after a step so fine is its square
	var here, there slope
	s.slopeAt(turn, w, &here)
	damp := 0.0
	for range most {
		step, ok := here.step(w, apart, damp)
		if ok {
			t, v, size := walk(turn, w, &step, apart)
			short := size < fine*fine
			expected := here.falls(&step)
			// Damped, a step is short in the middle of a narrow valley too.
			if damp == 0 && expected < least {
				return true
			}
			if s.slopeAt(&t, &v, &there); there.half <= here.half+1e-13*math.Abs(here.half) {
				fell := here.half - there.half
				*turn, *w, here = t, v, there
				if short && damp == 0 {
					return true
				}
				if damp /= 10; fell > 0.9*expected { // it is as the derivatives say
					damp /= 100
				}
				if damp < 1e-8 {
					damp = 0
				}
				continue
			}
			if short {
				return true
			}
		}
		damp = max(1e-4, 10*damp)
	}
	return false
}

// walk is a step from a turn and a way, with the square of how long it is.
func walk(turn *Vector, w *way, step *vector7, apart float64) (t Vector, v way, size float64) {
	t, v = *turn, *w
	for k := range 3 {
		t[k] += step[k]
		v.v[k] += step[bodyWay+k]
		size += step[bodyWay+k]*step[bodyWay+k] + step[k]*step[k]
	}
	v.inverse += step[bodyInverse]
	size += apart * apart * step[bodyInverse] * step[bodyInverse]
	v.measure(apart)
	return t, v, size
}

// falls is by how much less half of what is left over is after a step, as the derivatives say.
func (s *slope) falls(step *vector7) (by float64) {
	curved := s.times(step)
	for k := range bodySize {
		by -= step[k] * (s.first[k] + curved[k]/2)
	}
	return by
}

// measure makes way and inverse speed together 1 long; apart is how far lenses are apart, in metres.
func (w *way) measure(apart float64) {
	by := 1 / math.Sqrt(dot(w.v, w.v)+w.inverse*w.inverse*apart*apart)
	w.v, w.inverse = scaled(w.v, by), w.inverse*by
}

// step is that of Newton's method; false where the second derivatives are not those of a valley.
func (s *slope) step(w *way, apart, damp float64) (d vector7, ok bool) {
	m := s.hess
	var turns, ways float64
	for k := range 3 {
		turns += m[k][k] / 3
		ways += math.Abs(m[bodyWay+k][bodyWay+k]) / 3
	}
	if !(turns > 0) || !(ways > 0) {
		return d, false
	}
	held := [4]float64{w.v[0], w.v[1], w.v[2], w.inverse * apart * apart}
	for i := range 4 {
		for j := range 4 {
			m[bodyWay+i][bodyWay+j] += ways * held[i] * held[j]
		}
	}
	for k := range 3 {
		m[k][k] += damp * turns
		m[bodyWay+k][bodyWay+k] += damp * ways
	}
	n := bodySize
	if w.inverse == 0 && apart == 0 {
		n = bodyInverse
	} else {
		m[bodyInverse][bodyInverse] += (damp + 1e-9) * ways * apart * apart
	}
	for k := range n {
		d[k] = -s.first[k]
	}
	return d, m.solve(&d, n)
}

// solve replaces b by the solution x of m x = b over the first n, by Cholesky's method; false where m is not positive.
func (m *matrix7) solve(b *vector7, n int) bool {
	var by vector7 // one over the diagonal: to divide takes longer than all else
	for i := range n {
		row := &m[i]
		for j := range i {
			v, other := row[j], &m[j]
			for k := range j {
				v -= row[k] * other[k]
			}
			row[j] = v * by[j]
		}
		v, x := row[i], b[i]
		for k := range i {
			v -= row[k] * row[k]
			x -= row[k] * b[k]
		}
		if !(v > 0) {
			return false
		}
		row[i] = math.Sqrt(v)
		by[i] = 1 / row[i]
		b[i] = x * by[i]
	}
	for i := n - 1; i >= 0; i-- {
		b[i] *= by[i]
		row, x := &m[i], b[i]
		for k := range i {
			b[k] -= row[k] * x
		}
	}
	return true
}

// positive reports whether a matrix, of which the lower triangle is given, is so by Cholesky's method.
func (m *matrix7) positive() bool {
	var by vector7 // one over the diagonal of D, in m = L D L'
	for i := range bodySize {
		row := &m[i]
		v := row[i]
		for j := range i {
			// row[j] becomes L D; L is that by one over D.
			x, other := row[j], &m[j]
			for k := range j {
				x -= row[k] * other[k] * by[k]
			}
			row[j] = x
			v -= x * x * by[j]
		}
		if !(v > 0) {
			return false
		}
		by[i] = 1 / v
	}
	return true
}
