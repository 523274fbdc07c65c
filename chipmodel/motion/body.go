package motion

import (
	"math"
	"slices"
)

// Part is what one chip contributes to the motion of the body.
type Part struct {
	Flows *Flows
	// Seconds is the time between the lights of its two frames.
	Seconds float64
}

// Body is how the body turns and moves, as all chips together tell it.
type Body struct {
	// Told says whether anything is; RotationOnly that no way was to be told beside the turn: it is then the turn of
	// the best fit without one, and right only far from everything.
	Told, RotationOnly bool
	// Rate is in radians a second in the body frame.
	Rate           Vector
	RateCovariance Matrix3
	// Heading is the direction of the way, a unit vector of the body frame, with its covariance in radians.
	Heading           Vector
	HeadingCovariance Matrix3
	// Speed is in metres a second, with its variance: 0 where nothing is told of it. It shows while the body turns, by
	// how the places of lenses move beside the way.
	Speed, SpeedVariance float64
	// ContactSeconds is that of all chips together, with its variance: after which time the body meets a wall across
	// its way, where there is one. 0 where no chip tells.
	ContactSeconds, ContactVariance float64
	// Chips are in the order of the parts.
	Chips []Near
	// ChiSquared is what is left over in squares of noise, per degree of freedom.
	ChiSquared float64
	// Used is how many chips took part.
	Used int
}

// Near is how near what a chip sees is.
type Near struct {
	// LeftOut: it told nothing, or contradicts the others, as by things that would be behind it, or shows a way
	// that no third chip does.
	LeftOut bool
	// Nearness is the way a second of the chip's lens in units of the distance of what it sees, and its variance; 0
	// where no way is told. Distances themselves are not told by pictures without a speed.
	Nearness, Variance float64
	// ContactSeconds is after which time the lens is where the things are that the chip sees within 45 degrees of its
	// way, if it keeps that: abreast of them, and at a wall across the way everywhere at once. 0 where it sees none, or
	// does not come nearer by three standard deviations.
	ContactSeconds float64
	// ChiSquared is what is left over of its own squares, per degree of freedom.
	ChiSquared float64
}

// sure is how many standard deviations a nearness has to be for a time to contact (our choice, no source).
const sure = 3

// Solver puts chips together. It is for one goroutine.
type Solver struct {
	parts  []Part
	left   []bool // of the parts: they do not take part
	wholes blocks // the chips that take part, and the blocks of their frames
	at     blocks
	apart  float64 // how far lenses are from the middle of the body, root mean square, in metres
	out    []Near
	values []float64
	shown  []float64 // by each chip, of the way: squares that its nearness takes
	last   way       // that of the last time, where the search begins
	doubt  matrix7   // the covariance of the body's unknowns
}

// Solve finds turn and way of the body with the distance of what each chip sees unknown.
//
// For a way u of its lens the best nearness of a chip under a turn w is n = u.(t - rt' w)/(u.tt u), so that n is left
// out of the sum, which is then of turn and way alone: seven unknowns, of which one is the length of way and inverse
// speed together and does not show. It is searched for over all ways, and then refined by Newton's method. What is left
// of a chip are the squares across its own line of sight in units of its own noise, whatever its nearness: so the sum
// that is least at the true heading without noise is, with noise, on average higher by as much at all headings, and the
// heading is not drawn to where nearness multiplies the noise, as it is where residuals are weighted by it.
func (s *Solver) Solve(parts []Part) Body {
	s.parts, s.left = parts, s.left[:0]
	for i := range parts {
		s.left = append(s.left, !(parts[i].Flows.Whole.Pixels > 0) || !(parts[i].Seconds > 0))
	}
	for {
		s.prepare()
		b := s.once()
		worst := s.worst(&b)
		if worst < 0 {
			worst = s.behind(&b)
		}
		if worst < 0 {
			return s.confirm(b)
		}
		s.left[worst] = true
	}
}

func (s *Solver) prepare() {
	s.at.reset()
	s.wholes.reset()
	s.apart = 0
	for i := range s.parts {
		if s.left[i] {
			continue
		}
		flows := s.parts[i].Flows
		s.wholes.add(&flows.Whole, s.parts[i].Seconds, i)
		s.apart += dot(flows.Whole.Place, flows.Whole.Place)
		for k := range flows.Blocks[:flows.Used] {
			s.at.add(&flows.Blocks[k], s.parts[i].Seconds, i)
		}
	}
	if s.apart > 0 {
		s.apart = math.Sqrt(s.apart / float64(len(s.wholes.list)))
	}
}

func (s *Solver) once() (b Body) {
	if cap(s.out) < len(s.parts) {
		s.out, s.shown = make([]Near, len(s.parts)), make([]float64, len(s.parts))
	}
	s.out, s.shown = s.out[:len(s.parts)], s.shown[:len(s.parts)]
	b.Chips = s.out
	for i, left := range s.left {
		s.out[i], s.shown[i] = Near{LeftOut: left}, 0
		if !left {
			b.Used++
		}
	}
	if len(s.at.list) == 0 {
		return b
	}
	still := s.at.under(&way{}, &Vector{})
	if still.told == 0 {
		return b
	}
	best := s.search(&still)
	// A way costs two numbers and one a block, lenses apart one more; without it the squares are more by about as many
	// where there is none.
	n := float64(len(s.at.list))
	extra := n + 2
	if best.way.inverse != 0 {
		extra++
	}
	if gain := still.left - best.fit.left; best.fit.told < 3 || !(gain > chance(extra)) {
		b.RotationOnly = true
		s.last = best.way // which it is likely to be near when it shows
		best = found{turn: still.rate, fit: still}
	}
	left := s.at.square + best.fit.left
	if left < -1e-6*s.at.square { // squares are not: what was searched has no least
		return s.nothing(b)
	}
	b.ChiSquared = max(0, left) / max(1, s.at.free-n)
	b.Rate = best.turn
	grow := max(1, b.ChiSquared)
	if b.RotationOnly {
		b.RateCovariance = s.turns(&still, grow)
	} else if !s.orient(&b, &best, grow) {
		return s.nothing(b)
	}
	b.Told = true
	s.near(&b, &best.way, grow)
	return b
}

// nothing is told; who took part is.
func (s *Solver) nothing(b Body) Body {
	s.last = way{}
	return Body{Chips: b.Chips, Used: b.Used}
}

// turns is the covariance of the turn where nothing else is told: of a direction of which the pictures tell nothing,
// that of a turn of any angle between two frames.
func (s *Solver) turns(still *fit, grow float64) (c Matrix3) {
	_, c, told := solve3(still.info, Vector{}, blind)
	c = times(c, grow)
	if told == 3 {
		return c
	}
	shortest := math.Inf(1)
	for i, left := range s.left {
		if !left {
			shortest = min(shortest, s.parts[i].Seconds)
		}
	}
	values, vectors := eigen3(still.info)
	for i, v := range vectors {
		if !(values[i] > blind*max(values[0], values[1], values[2])) {
			c.plus(outer(v, v), math.Pi*math.Pi/(shortest*shortest))
		}
	}
	return c
}

func times(m Matrix3, by float64) (out Matrix3) {
	out.plus(m, by)
	return out
}

// near says how near what each chip sees is.
func (s *Solver) near(b *Body, w *way, grow float64) {
	for i := range s.wholes.list {
		p := &s.wholes.list[i]
		out, u := &s.out[p.chip], w.of(p, &b.Rate)
		if n, uu, ok := p.nearness(&u, &b.Rate); ok && !b.RotationOnly {
			// The way of the lens is by so much longer than that of the body.
			length := math.Sqrt(dot(u, u))
			g := s.slopeOf(p, w, &b.Rate, &u, n, uu)
			g.scale(length)
			g.way(p, w, &b.Rate, scaled(u, n/length))
			out.Nearness, out.Variance = n*length, grow/uu*length*length+s.doubt.of(&g)
		}
	}
	var ahead, all meeting
	for i := range s.at.list { // what is left over, with the nearness of each block
		p := &s.at.list[i]
		u := w.of(p, &b.Rate)
		n, uu, ok := p.nearness(&u, &b.Rate)
		if ok && !b.RotationOnly {
			if p.ahead(&u) > 0 {
				g := s.slopeOf(p, w, &b.Rate, &u, n, uu)
				ahead.add(p, w, &b.Rate, &u, n, uu/grow, &g)
			}
			s.shown[p.chip] += n * n * uu
		}
		if i+1 == len(s.at.list) || s.at.list[i+1].chip != p.chip {
			s.out[p.chip].ContactSeconds, _ = ahead.seconds(&s.doubt)
			all.plus(&ahead)
			ahead = meeting{}
		}
		d := s.parts[p.chip].Seconds
		s.out[p.chip].ChiSquared += p.flow.residual(scaled(b.Rate, d), scaled(u, n*d)) /
			max(1, s.parts[p.chip].Flows.Whole.Free-4)
	}
	b.ContactSeconds, b.ContactVariance = all.seconds(&s.doubt)
}

// nearness is the best under a way and a turn, of 0 where that does not show, and its information.
func (b *block) nearness(u, turn *Vector) (n, uu float64, ok bool) {
	ru, _, uu := b.share(u)
	if !b.tells(u, uu) {
		return 0, 0, false
	}
	return (dot(*u, b.t) - dot(*turn, ru)) / uu, uu, true
}

// worst is the chip that contradicts the others most, if it does by far; -1 where none does. With few chips nobody can
// say who is wrong.
func (s *Solver) worst(b *Body) int {
	if b.Used < 4 || 2*b.Used <= len(s.parts) {
		return -1
	}
	worst, most := -1, 0.0
	s.values = s.values[:0]
	for i, left := range s.left {
		if v := s.out[i].ChiSquared; !left {
			s.values = append(s.values, v)
			if v > most {
				worst, most = i, v
			}
		}
	}
	slices.Sort(s.values)
	if most > 10*max(1, s.values[len(s.values)/2]) {
		return worst
	}
	return -1
}
