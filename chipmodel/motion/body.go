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
	// Chips are in the order of the parts.
	Chips []Near
	// ChiSquared is what is left over in squares of noise, per degree of freedom.
	ChiSquared float64
	// Used is how many chips took part.
	Used int
}

// Near is how near what a chip sees is.
type Near struct {
	// LeftOut: it told nothing, or contradicts the others.
	LeftOut bool
	// Nearness is the way a second in units of the distance of what it sees, and its variance; 0 where no way is told.
	// Distances themselves are not told by pictures without a speed.
	Nearness, Variance float64
	// ContactSeconds is after which time the body touches what the chip sees, if it keeps its way: 1 over the nearness
	// and the cosine between heading and the chip's axis; 0 where it does not come nearer, or by less than three
	// standard deviations of the nearness.
	ContactSeconds float64
	// ChiSquared is what is left over of its own squares, per pixel.
	ChiSquared float64
}

// sure is how many standard deviations a nearness has to be for a time to contact (our choice, no source).
const sure = 3

// Solver puts chips together. It is for one goroutine.
type Solver struct {
	parts   []Part
	left    []bool       // of the parts: they do not take part
	at      []scaledPart // the blocks of the others
	out     []Near
	values  []float64
	heading Vector // of the last time, where the search begins
}

// scaledPart is a part by seconds, so that its unknowns are rates.
type scaledPart struct {
	chip       int // of which it is a block
	rr, rt, tt Matrix3
	r, t       Vector
	flow       *Flow
}

// Solve finds turn and way of the body with the distance of what each chip sees unknown.
//
// For a heading h the best nearness of a chip under a turn w is n = h.(t - rt' w)/(h.tt h), so that n is left out of
// the sum, which is then of squares in w alone; the heading is searched for over the sphere, and then refined. What
// is left of a chip are the squares across its own line of sight in units of its own noise, whatever its nearness: so
// the sum that is least at the true heading without noise is, with noise, on average higher by as much at all headings,
// and the heading is not drawn to where nearness multiplies the noise, as it is where residuals are weighted by it.
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
			return b
		}
		s.left[worst] = true
	}
}

func (s *Solver) prepare() {
	s.at = s.at[:0]
	for i := range s.parts {
		if s.left[i] {
			continue
		}
		flows := s.parts[i].Flows
		for k := range flows.Blocks[:flows.Used] {
			s.at = append(s.at, scaledBy(&flows.Blocks[k], s.parts[i].Seconds, i))
		}
	}
}

// scaledBy is a flow with rates in the place of angles.
func scaledBy(f *Flow, seconds float64, chip int) (p scaledPart) {
	p.flow, p.chip = f, chip
	d := seconds
	p.rr.plus(f.rotation(), d*d)
	p.rt.plus(f.mixed(), d*d)
	p.tt.plus(f.translation(), d*d)
	p.r, p.t = scaled(f.towardsTurn(), d), scaled(f.towardsWay(), d)
	return p
}

// fit is the best turn under a heading: h of length 1, or 0 for no way at all.
type fit struct {
	rate Vector
	info Matrix3
	left float64 // squares that are left over, less those that are there under any motion
	told int
}

func (s *Solver) under(h Vector) (f fit) {
	var b Vector
	var square float64
	for i := range s.at {
		p := &s.at[i]
		f.info.plus(p.rr, 1)
		rh := p.rt.times(h)
		hh, th := dot(h, p.tt.times(h)), dot(h, p.t)
		add := p.r
		if p.tells(hh) {
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
func (p *scaledPart) tells(hh float64) bool {
	return hh > 1e-9*(p.tt[0][0]+p.tt[1][1]+p.tt[2][2]) && hh > 0
}

func (s *Solver) once() (b Body) {
	pixels, square := 0.0, 0.0
	for i := range s.at {
		pixels += s.at[i].flow.Pixels
		square += s.at[i].flow.Square
	}
	s.out = append(s.out[:0], make([]Near, len(s.parts))...)
	b.Chips = s.out
	for i, left := range s.left {
		s.out[i].LeftOut = left
		if !left {
			b.Used++
		}
	}
	if len(s.at) == 0 {
		return b
	}
	n := len(s.at)
	still := s.under(Vector{})
	if still.told == 0 {
		return b
	}
	b.Told = true
	h, best := s.search()
	// A way costs two numbers and one a block; without it the squares are more by about as many where there is none.
	gain := still.left - best.left
	if extra := float64(n) + 2; best.told < 3 || !(gain > extra+6*math.Sqrt(2*extra)) {
		b.RotationOnly = true
		h, best = Vector{}, still
	}
	free := max(1, pixels-float64(n))
	b.ChiSquared = (square + best.left) / free
	b.Rate = best.rate
	grow := max(1, b.ChiSquared)
	_, b.RateCovariance, _ = solve3(best.info, Vector{}, blind)
	if b.RotationOnly {
		b.RateCovariance = times(b.RateCovariance, grow)
	} else {
		s.heading = h
		s.orient(&b, h, grow)
	}
	s.near(&b, h, grow)
	return b
}

func times(m Matrix3, by float64) (out Matrix3) {
	out.plus(m, by)
	return out
}

// near says how near what each chip sees is.
func (s *Solver) near(b *Body, h Vector, grow float64) {
	for i := range s.parts {
		if s.left[i] {
			continue
		}
		out, flows := &s.out[i], s.parts[i].Flows
		p := scaledBy(&flows.Whole, s.parts[i].Seconds, i)
		if hh := dot(h, p.tt.times(h)); !b.RotationOnly && p.tells(hh) {
			out.Nearness = (dot(h, p.t) - dot(b.Rate, p.rt.times(h))) / hh
			out.Variance = grow / hh
			if c := dot(h, p.flow.Axis) * out.Nearness; c > 0 && out.Nearness*out.Nearness > sure*sure*out.Variance {
				out.ContactSeconds = 1 / c
			}
		}
	}
	for i := range s.at { // what is left over, with the nearness of each block
		p := &s.at[i]
		way := 0.0
		if hh := dot(h, p.tt.times(h)); !b.RotationOnly && p.tells(hh) {
			way = (dot(h, p.t) - dot(b.Rate, p.rt.times(h))) / hh
		}
		d := s.parts[p.chip].Seconds
		s.out[p.chip].ChiSquared += p.flow.residual(scaled(b.Rate, d), scaled(h, way*d)) /
			max(1, s.parts[p.chip].Flows.Whole.Pixels-4)
	}
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
