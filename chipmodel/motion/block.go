package motion

// block is a flow with rates in the place of angles: that of a chip, or of a part of its frame.
type block struct {
	chip       int // of which it is
	rr, rt, tt Matrix3
	r, t       Vector
	place      Vector
	flow       *Flow
	least      float64 // of tt along a direction of length 1, for a way along it to show
}

// rated makes one of what was seen in so many seconds.
func (b *block) rated(f *Flow, seconds float64, chip int) {
	d := seconds * seconds
	for i := range 3 {
		for j := range 3 {
			b.rr[i][j] = d * f.Information[i][j]
			b.rt[i][j] = d * f.Information[i][j+3]
			b.tt[i][j] = d * f.Information[i+3][j+3]
		}
		b.r[i], b.t[i] = seconds*f.Towards[i], seconds*f.Towards[i+3]
	}
	b.flow, b.chip, b.place = f, chip, f.Place
	b.least = 1e-9 * (b.tt[0][0] + b.tt[1][1] + b.tt[2][2])
}

// blocks are those that take part, those of a chip one after another, and what does not depend on the way.
type blocks struct {
	list         []block
	rr           Matrix3
	r            Vector
	free, square float64
}

func (s *blocks) reset() { *s = blocks{list: s.list[:0]} }

func (s *blocks) add(f *Flow, seconds float64, chip int) {
	s.list = append(s.list, block{})
	b := &s.list[len(s.list)-1]
	b.rated(f, seconds, chip)
	s.rr.plus(b.rr, 1)
	for k := range 3 {
		s.r[k] += b.r[k]
	}
	s.free += f.Free
	s.square += f.Square
}

// way is where everything goes: a lens at p moves by way + inverse (w x p) when the body turns by w. Only the
// direction of the two together shows; were the way in metres a second, inverse would be 1, so that with a way of
// length 1 it is one over the speed. It is 0 where lenses are not known to be apart.
type way struct {
	v       Vector
	inverse float64
}

// of is the way of the lens of a block.
func (w *way) of(b *block, turn *Vector) Vector {
	if w.inverse == 0 || b.place == (Vector{}) {
		return w.v
	}
	c := cross(*turn, b.place)
	return Vector{w.v[0] + w.inverse*c[0], w.v[1] + w.inverse*c[1], w.v[2] + w.inverse*c[2]}
}

// share is what way along a direction does to the picture of a block: rt and tt times it, and how much it shows.
func (b *block) share(u *Vector) (ru, tu Vector, uu float64) {
	m, t := &b.rt, &b.tt
	x, y, z := u[0], u[1], u[2]
	ru = Vector{m[0][0]*x + m[0][1]*y + m[0][2]*z, m[1][0]*x + m[1][1]*y + m[1][2]*z, m[2][0]*x + m[2][1]*y + m[2][2]*z}
	tu = Vector{t[0][0]*x + t[0][1]*y + t[0][2]*z, t[0][1]*x + t[1][1]*y + t[1][2]*z, t[0][2]*x + t[1][2]*y + t[2][2]*z}
	return ru, tu, x*tu[0] + y*tu[1] + z*tu[2]
}

// tells reports whether way along a direction shows in a chip's picture at all, as it does with uu: straight ahead of
// one that looks along it, only around the middle.
func (b *block) tells(u *Vector, uu float64) bool {
	return uu > b.least*dot(*u, *u) && uu > 0
}

// fit is the best turn under a way.
type fit struct {
	rate Vector
	info Matrix3
	left float64 // squares that are left over, less those that are there under any motion
	told int
}

// under is the best turn under a way, none of length 0; lenses apart move with the turn that is given.
func (s *blocks) under(w *way, turn *Vector) (f fit) {
	f.info = s.rr
	b, square := s.r, 0.0
	if w.v != (Vector{}) || w.inverse != 0 {
		for i := range s.list {
			p := &s.list[i]
			u := w.of(p, turn)
			// Written out: most of the time of a search goes here.
			m, t := &p.rt, &p.tt
			u0, u1, u2 := u[0], u[1], u[2]
			uu := u0*(u0*t[0][0]+2*(u1*t[0][1]+u2*t[0][2])) + u1*(u1*t[1][1]+2*u2*t[1][2]) + u2*u2*t[2][2]
			if !(uu > p.least*(u0*u0+u1*u1+u2*u2)) || !(uu > 0) {
				continue
			}
			ru := Vector{m[0][0]*u0 + m[0][1]*u1 + m[0][2]*u2, m[1][0]*u0 + m[1][1]*u1 + m[1][2]*u2,
				m[2][0]*u0 + m[2][1]*u1 + m[2][2]*u2}
			k := 1 / uu
			tu := u0*p.t[0] + u1*p.t[1] + u2*p.t[2]
			square -= tu * tu * k
			x, y, z := k*ru[0], k*ru[1], k*ru[2]
			f.info[0][0] -= x * ru[0]
			f.info[0][1] -= x * ru[1]
			f.info[0][2] -= x * ru[2]
			f.info[1][1] -= y * ru[1]
			f.info[1][2] -= y * ru[2]
			f.info[2][2] -= z * ru[2]
			b[0] -= x * tu
			b[1] -= y * tu
			b[2] -= z * tu
		}
	}
	f.info[1][0], f.info[2][0], f.info[2][1] = f.info[0][1], f.info[0][2], f.info[1][2]
	f.rate, _, f.told = solve3(f.info, b, blind)
	f.left = square - dot(f.rate, b)
	return f
}
