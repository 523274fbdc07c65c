package motion

import "math"

// doubtful is the standard deviation of a heading, in radians along the direction of which least is known, above which
// nothing is told (our choice, no source): derivatives at one place say little of what is further away than that.
const doubtful = 0.2

// of is the variance of what changes so with the body's unknowns.
func (m *matrix7) of(g *vector7) (v float64) {
	for i := range bodySize {
		for j := range bodySize {
			v += g[i] * m[i][j] * g[j]
		}
	}
	return max(0, v)
}

func (g *vector7) scale(by float64) {
	for i := range g {
		g[i] *= by
	}
}

func (g *vector7) plus(o *vector7, by float64) {
	for i := range g {
		g[i] += by * o[i]
	}
}

// way adds a change with the way of the lens of a block, which is v + inverse (turn x p).
func (g *vector7) way(b *block, w *way, turn *Vector, with Vector) {
	lens := cross(b.place, with)
	for k := range 3 {
		g[k] += w.inverse * lens[k]
		g[bodyWay+k] += with[k]
	}
	g[bodyInverse] += dot(with, cross(*turn, b.place))
}

// slopeOf is how the best nearness n of a block changes with the body's unknowns: what is not known of them is not
// known of the nearness either.
func (s *Solver) slopeOf(b *block, w *way, turn, u *Vector, n, uu float64) (g vector7) {
	ru, tu, _ := b.share(u)
	var with Vector
	for k := range 3 {
		rest := b.t[k] - (b.rt[0][k]*turn[0] + b.rt[1][k]*turn[1] + b.rt[2][k]*turn[2])
		with[k] = (rest - 2*n*tu[k]) / uu
		g[k] = -ru[k] / uu
	}
	g.way(b, w, turn, with)
	return g
}

// meeting is how soon a lens is where the things are that lie ahead of it: one over the time, in the mean over blocks,
// and how that changes with the body's unknowns.
type meeting struct {
	information, towards float64
	slope                vector7
}

// ahead is by what the nearness of a block is multiplied for one over the time after which the lens is abreast of what
// it sees; 0 where its middle is not within 45 degrees of the way (our choice, no source): what lies further aside is
// passed by.
func (b *block) ahead(u *Vector) float64 {
	along, square := dot(b.flow.Axis, *u), dot(*u, *u)
	if !(along > 0) || along*along < square/2 {
		return 0
	}
	return square / along
}

// add takes a block that is ahead. A thing at r in a direction a is r a.u/|u| ahead along the way, so that with the
// nearness n the lens is abreast of it after a.u/(n u.u). A wall across the way is met everywhere at once so, however
// far aside it is seen.
func (m *meeting) add(b *block, w *way, turn, u *Vector, n, information float64, slope *vector7) {
	along, by := dot(b.flow.Axis, *u), b.ahead(u)
	g := *slope
	g.scale(by)
	var with Vector
	for k := range with {
		with[k] = n * (2*u[k] - by*b.flow.Axis[k]) / along
	}
	g.way(b, w, turn, with)
	information /= by * by
	m.plus(&meeting{information, information * n * by, g.scaled(information)})
}

func (g vector7) scaled(by float64) vector7 {
	g.scale(by)
	return g
}

func (m *meeting) plus(o *meeting) {
	m.information += o.information
	m.towards += o.towards
	m.slope.plus(&o.slope, 1)
}

// seconds is the time and its variance; 0 where it is not beyond doubt that the lens comes nearer.
func (m *meeting) seconds(doubt *matrix7) (seconds, variance float64) {
	if !(m.towards > 0) {
		return 0, 0
	}
	t := m.information / m.towards
	v := 1/m.information + doubt.of(&m.slope)/(m.information*m.information)
	if !(1/t > sure*math.Sqrt(v)) {
		return 0, 0
	}
	return t, t * t * t * t * v
}
