package motion

import "math"

// start is a way that a search begins at, with what is left over there of the chips as a whole.
type start struct {
	way  way
	left float64
}

// starts are the best, no two of them close to each other, the best first.
type starts struct {
	n  int
	at [3]start
}

func (c *starts) add(v start) {
	for i := 0; i < c.n; i++ {
		if !v.way.close(&c.at[i].way) {
			continue
		}
		if c.at[i].left <= v.left {
			return
		}
		copy(c.at[i:], c.at[i+1:c.n])
		c.n--
		i--
	}
	i := c.n
	for i > 0 && c.at[i-1].left > v.left {
		i--
	}
	if i == len(c.at) {
		return
	}
	c.n = min(c.n+1, len(c.at))
	copy(c.at[i+1:c.n], c.at[i:])
	c.at[i] = v
}

// close reports whether two ways, or one and the opposite of the other, are within half a radian.
func (w *way) close(o *way) bool {
	if (w.inverse == 0) != (o.inverse == 0) {
		return false
	}
	c := dot(w.v, o.v)
	return c*c > 0.77*dot(w.v, w.v)*dot(o.v, o.v)
}

// found is the turn and the way under which least is left over.
type found struct {
	turn  Vector
	way   way
	fit   fit
	ended bool // downhill it does not go on
}

// search finds them: from the way of the last time downhill, and from those of a grid over all ways that promise less,
// judged by the chips as a whole, of which there are a quarter as many as blocks. A way and the opposite one leave the
// same; of both it is the one under which more of what is seen is in front: nearness is above 0.
func (s *Solver) search(still *fit) (best found) {
	best.fit.left = math.Inf(1)
	least := math.Inf(1)
	rings, spokes := 9, 18
	if s.last != (way{}) { // it may have changed, but seldom does
		s.descend(&best, still, s.last)
		least = s.wholes.under(&best.way, &best.turn).left
		rings, spokes = 4, 8
	}
	s.tryGrid(&best, still, rings, spokes, least)
	// More than ten times what noise leaves: few chips have valleys that a coarse grid does not see (our choice, no
	// source).
	if s.at.square+best.fit.left > 10*s.at.free {
		s.tryGrid(&best, still, 2*rings, 2*spokes, math.Inf(1))
	}
	for more := 5; more > 0 && !best.ended; more-- { // a long way: the others need not be gone to the end
		before := best.fit.left
		if s.descend(&best, still, best.way); !(best.fit.left < before) {
			break
		}
	}
	return best
}

// tryGrid goes downhill from the best of a grid, and from the others that leave less than was found. What was found
// downhill from the way of the last time is not looked for again from beside it, but where lenses are apart: speeds
// make more valleys there.
func (s *Solver) tryGrid(best *found, still *fit, rings, spokes int, least float64) {
	promising := s.grid(still, rings, spokes)
	for i, c := range promising.at[:promising.n] {
		if c.left < least || i == 0 && !(s.apart == 0 && best.fit.told == 3 && c.way.close(&best.way)) {
			s.descend(best, still, c.way)
		}
	}
}

// descend refines a way, and keeps the result if it is the best so far.
func (s *Solver) descend(best *found, still *fit, from way) {
	f := found{way: from}
	f.turn = s.at.under(&f.way, &still.rate).rate
	apart := s.apart
	if from.inverse == 0 {
		apart = 0 // first as if all lenses were in one place
	}
	f.ended = s.at.refine(&f.turn, &f.way, apart)
	s.front(&f)
	if s.apart > 0 {
		f = s.spread(f, apart > 0)
	} else {
		f.fit = s.at.under(&f.way, &f.turn)
		f.turn = f.fit.rate
	}
	if f.fit.left < best.fit.left {
		*best = f
	}
}

// spread finds whether the lenses are seen to be apart: their places are taken into account where that leaves less by
// more than chance makes (two standard deviations), and the speed is above 0.
func (s *Solver) spread(f found, apart bool) found {
	together, wide := f, f
	if apart {
		together.way = way{v: f.way.v}
		if dot(together.way.v, together.way.v) < 1e-12 {
			together.way.v = Vector{1, 0, 0}
		}
		together.ended = s.at.refine(&together.turn, &together.way, 0)
		s.front(&together)
	} else {
		wide.ended = s.at.refine(&wide.turn, &wide.way, s.apart)
		s.front(&wide)
	}
	together.fit = s.at.under(&together.way, &together.turn)
	together.turn = together.fit.rate
	var at slope
	s.at.slopeAt(&wide.turn, &wide.way, &at)
	wide.fit = fit{rate: wide.turn, left: 2 * at.half, told: 3}
	if wide.way.inverse > 0 && wide.fit.left < together.fit.left-4 {
		return wide
	}
	return together
}

// front turns a way round that has more of what is seen behind than in front.
func (s *Solver) front(f *found) {
	var front float64
	for i := range s.at.list {
		p := &s.at.list[i]
		u := f.way.of(p, &f.turn)
		front += dot(u, p.t) - dot(f.turn, p.rt.times(u))
	}
	if front < 0 {
		f.way.v, f.way.inverse = scaled(f.way.v, -1), -f.way.inverse
	}
}

// grid tries ways all over half of the sphere: with the lenses in one place, and where they are apart also as fast as
// the turn moves them.
func (s *Solver) grid(still *fit, rings, spokes int) (out starts) {
	try := func(w way) {
		if f := s.wholes.under(&w, &still.rate); f.told == 3 {
			out.add(start{w, f.left})
		}
	}
	inverse := 0.0
	if turns := math.Sqrt(dot(still.rate, still.rate)); s.apart > 0 && turns > 0 {
		inverse = 1 / (turns * s.apart)
		try(way{inverse: 1 / s.apart}) // it turns in place
	}
	for i := range rings { // evenly
		z := (float64(i) + 0.5) / float64(rings)
		r := math.Sqrt(1 - z*z)
		for k := range spokes {
			sin, cos := math.Sincos(2*math.Pi*float64(k)/float64(spokes) + float64(i))
			h := Vector{r * cos, r * sin, z}
			try(way{v: h})
			if inverse > 0 {
				try(way{h, inverse})
				try(way{scaled(h, -1), inverse})
			}
		}
	}
	return out
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

// orient says how sure heading, speed and rate are together: by how what is left over curves around them, and by how
// the best rate follows the heading and the speed. False where too little is known of the heading.
func (s *Solver) orient(b *Body, f *found, grow float64) bool {
	apart := s.apart
	if f.way.inverse == 0 {
		apart = 0
	}
	f.way.measure(apart)
	inverse, length, h := f.way.inverse, math.Sqrt(dot(f.way.v, f.way.v)), Vector{1, 0, 0}
	if length > 0 {
		h = scaled(f.way.v, 1/length)
	}
	var at slope
	s.at.slopeAt(&f.turn, &f.way, &at)
	x, y := across(h)
	// The columns of the unknowns that remain, at right angles to way and inverse speed together: heading across, and
	// one over the speed where that is told.
	var by [3]vector7
	copy(by[0][bodyWay:], x[:])
	copy(by[1][bodyWay:], y[:])
	n := 2
	if inverse > 0 {
		n = 3
		along := scaled(h, -inverse*apart)
		copy(by[2][bodyWay:], along[:])
		by[2][bodyInverse] = length / apart
	}
	_, turns, _ := solve3(at.turns(), Vector{}, blind)
	var follows [3]Vector // how the best rate follows each
	var info Matrix3
	for i := range n {
		hx := at.times(&by[i])
		follows[i] = scaled(turns.times(Vector(hx[:3])), -1)
		for j := range i + 1 {
			g := at.times(&by[j])
			for k := range bodySize {
				info[i][j] += by[i][k] * g[k]
			}
			info[i][j] += dot(follows[i], Vector(g[:3]))
			info[j][i] = info[i][j]
		}
	}
	c, ok := covariance(info, n)
	c = times(c, grow)
	values, _ := eigen3(c)
	if !ok || !(max(values[0], values[1], values[2]) < doubtful*doubtful) {
		return false
	}
	s.last = f.way
	s.doubt = matrix7{}
	for i := range 3 {
		for j := range 3 {
			s.doubt[i][j] = turns[i][j] * grow
		}
		copy(by[i][:bodyWay], follows[i][:])
	}
	for i := range n {
		for j := range n {
			for k := range bodySize {
				for l := range bodySize {
					s.doubt[k][l] += by[i][k] * c[i][j] * by[j][l]
				}
			}
		}
	}
	s.told(b, h, [2]Vector{x, y}, &c, n == 3)
	return true
}

// told puts a heading, with its uncertainty across it, and the speed, where that is sure enough, into the estimate.
func (s *Solver) told(b *Body, h Vector, across [2]Vector, c *Matrix3, ofSpeed bool) {
	inverse, length := s.last.inverse, math.Sqrt(dot(s.last.v, s.last.v))
	for i := range 3 {
		copy(b.RateCovariance[i][:], s.doubt[i][:3])
	}
	b.Heading = h
	// Where it turns in place nothing is told of the heading.
	by := min(1/(length*length), math.Pi*math.Pi/max(c[0][0], c[1][1]))
	for i, d := range across {
		for j, e := range across {
			b.HeadingCovariance.plus(outer(d, e), c[i][j]*by)
		}
	}
	if ofSpeed && length > 0 {
		slow := vector7{bodyInverse: 1 / length}
		for k := range 3 {
			slow[bodyWay+k] = -inverse / (length * length) * h[k]
		}
		slowness, variance := inverse/length, s.doubt.of(&slow)
		if slowness*slowness > sure*sure*variance {
			b.Speed = 1 / slowness
			b.SpeedVariance = variance * b.Speed * b.Speed * b.Speed * b.Speed
		}
	}
}

// covariance is the inverse of the first n rows and columns; false where it has none.
func covariance(info Matrix3, n int) (c Matrix3, ok bool) {
	var m matrix7
	for i := range n {
		for j := range n {
			m[i][j] = info[i][j]
		}
	}
	for j := range n {
		l, e := m, vector7{}
		e[j] = 1
		if !l.solve(&e, n) {
			return c, false
		}
		copy(c[j][:n], e[:n])
	}
	return c, true
}

func (s *slope) turns() (m Matrix3) {
	for i := range 3 {
		copy(m[i][:], s.hess[i][:3])
	}
	return m
}

func (s *slope) times(v *vector7) (out vector7) {
	for i := range bodySize {
		for j := range bodySize {
			out[i] += s.hess[i][j] * v[j]
		}
	}
	return out
}
