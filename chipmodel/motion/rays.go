package motion

import (
	"math"

	"facetd.example/chipmodel/geometry"
)

// Unknowns of a chip: what its picture does when the body turns by a vector of radians, and when it moves by a vector
// in units of the distance of what the chip sees, both in the body frame.
const unknowns = 6

// ray is what a pixel sees of those: by how much the light of a pixel changes with each of them is
// gx right[k] + gy down[k].
type ray struct{ right, down [unknowns]float64 }

// Grid is where the pixels of a frame are on the sensor.
type Grid struct {
	// At is the point of the middle of a pixel of the frame, in column pitches from the middle of the sensor.
	At func(row, column int) (x, y float64)
	// Column and Row are how far apart two columns and two rows of the frame are, in column pitches; on a hexagonal
	// lattice Row is that of two rows.
	Column, Row float64
}

// Rays are those of all pixels of a frame. They are immutable and safe for concurrent use.
type Rays struct {
	shape Shape
	rays  []ray
	axis  [3]float64 // that of the middle of the frame
	place [3]float64 // of the lens, in metres in the body frame
	// x and y are what a variance of 1 of the gradients along rows and along columns adds to the products of the
	// unknowns, a pixel.
	x, y matrix6
}

// matrix6 is a symmetric matrix over the unknowns.
type matrix6 [unknowns][unknowns]float64

// NewRays looks through a camera at every pixel of a frame.
//
// A thing at distance r in the direction e moves, as the body sees it, by de = -w x e - (v - (v.e) e)/r when the body
// turns by w and moves by v. With the dual vectors R, D of how the ray changes along columns and rows, the picture
// moves by (R.de, D.de), and the light of the pixel by -(gx R + gy D).de = w.(e x q) + (v/r).q, where q = gx R + gy D.
func NewRays(c *geometry.Camera, s Shape, g Grid) *Rays {
	r := &Rays{shape: s, rays: make([]ray, s.Rows*s.Columns)}
	r.place[0], r.place[1], r.place[2] = c.Place()
	for row := range s.Rows {
		for column := range s.Columns {
			x, y := g.At(row, column)
			sight := c.Sight(x, y)
			right, down := dual(scaled(sight.Right, g.Column), scaled(sight.Down, g.Row))
			p := &r.rays[row*s.Columns+column]
			er, ed := cross(sight.Ray, right), cross(sight.Ray, down)
			copy(p.right[:3], er[:])
			copy(p.right[3:], right[:])
			copy(p.down[:3], ed[:])
			copy(p.down[3:], down[:])
			for k := range 3 {
				r.axis[k] += sight.Ray[k]
			}
			for i := range unknowns {
				for j := range unknowns {
					r.x[i][j] += p.right[i] * p.right[j] / float64(len(r.rays))
					r.y[i][j] += p.down[i] * p.down[j] / float64(len(r.rays))
				}
			}
		}
	}
	r.axis = scaled(r.axis, 1/math.Sqrt(dot(r.axis, r.axis)))
	return r
}

// dual returns vectors in the plane of two, of which each has a product of 1 with one of them and of 0 with the other.
func dual(a, b [3]float64) (x, y [3]float64) {
	aa, ab, bb := dot(a, a), dot(a, b), dot(b, b)
	det := aa*bb - ab*ab
	for k := range 3 {
		x[k], y[k] = (bb*a[k]-ab*b[k])/det, (aa*b[k]-ab*a[k])/det
	}
	return x, y
}

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func scaled(a [3]float64, by float64) [3]float64 { return [3]float64{a[0] * by, a[1] * by, a[2] * by} }

func cross(a, b [3]float64) [3]float64 {
	return [3]float64{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

// Flow is what the frame of a chip tells of how the body turned and moved: least squares on the gradients of all
// pixels, made information by the noise. Its unknowns are the angles turned in radians, and then the way in units of
// the distance of what the chip sees.
type Flow struct {
	// Information is the inverse of the covariance; it has no inverse itself where something is not told.
	Information matrix6
	// Towards is the information times the unknowns.
	Towards [unknowns]float64
	// Square is what is left of the squares of the differences under no motion at all, in squares of their noise.
	Square float64
	// Pixels are those that were used, and Free as how many that know nothing of each other they count: smoothing makes
	// neighbours alike.
	Pixels, Free float64
	// Axis is the direction of the middle of the frame, or of the part of it.
	Axis [3]float64
	// Place is where the lens is in the body frame, in metres.
	Place [3]float64
}

// Flows are what a chip tells as a whole, and what the parts of its frame tell, each by itself: what they see may be
// at different distances, and lit differently.
type Flows struct {
	Whole  Flow
	Blocks [4]Flow
	// Used is how many of the blocks there are: frames too small for four have one.
	Used int
}

// leastBlock is the fewest rows and columns of a block.
const leastBlock = 6

// Flow puts into out what the pair that was estimated last tells; nothing is told where its estimate was refused. The
// rays are those of the same shape.
func (e *Estimator) Flow(r *Rays, est *Estimate, out *Flows) {
	*out = Flows{}
	out.Whole.Axis, out.Whole.Place = r.axis, r.place
	if est.Refused != Estimated {
		return
	}
	var parts [4]normal
	whole := e.parts(r, &parts, out)
	e.straightenLocally(r, &whole, est)
	if e.locally { // also where that was before: rounded alike
		whole = normal{}
		for k := range parts[:out.Used] {
			e.differ(r, &parts[k])
			whole.add(&parts[k])
		}
	}
	noise := e.flowNoise(parts[:out.Used], est)
	for k := range parts[:out.Used] {
		axis := out.Blocks[k].Axis
		e.informSafely(&out.Blocks[k], &parts[k], r, noise)
		out.Blocks[k].Axis = axis
	}
	if whole.n >= leastPixels {
		e.informSafely(&out.Whole, &whole, r, noise)
	}
}

// parts adds up what the parts of a frame tell, and the whole.
func (e *Estimator) parts(r *Rays, parts *[4]normal, out *Flows) (whole normal) {
	f := e.fields.area
	out.Used = 0
	rows, columns := 1, 1
	if f.bottom-f.top >= 2*leastBlock {
		rows = 2
	}
	if f.right-f.left >= 2*leastBlock {
		columns = 2
	}
	for row := range rows {
		for column := range columns {
			a := area{top: f.top + row*(f.bottom-f.top)/rows, bottom: f.top + (row+1)*(f.bottom-f.top)/rows,
				left: f.left + column*(f.right-f.left)/columns, right: f.left + (column+1)*(f.right-f.left)/columns}
			n := e.accumulate(r, a)
			whole.add(&n)
			if n.n >= leastPixels {
				parts[out.Used] = n
				out.Blocks[out.Used].Axis = e.middle(r, a)
				out.Used++
			}
		}
	}
	return whole
}

// informSafely takes off as much of what noise made of the gradients as leaves twice that to be taken: where most of
// what shows along a direction would go, the rest would be told to be moved by any distance, surely.
func (e *Estimator) informSafely(out *Flow, n *normal, r *Rays, noise float64) {
	var own matrix6
	e.inform(out, n, r, noise, &own)
	for _, off := range [...]float64{1, 0.5, 0.2} {
		if out.positiveWithout(&own, 2*off) {
			for i := range unknowns {
				for j := range unknowns {
					out.Information[i][j] -= off * own[i][j]
				}
			}
			return
		}
	}
}

// flowNoise is the noise of a pixel, by what is left over under a turn and a way of each part. Under the shift of the
// frame as a whole more is left where the picture grows, as it does before a wall: noise by that would make light of
// what tells most.
func (e *Estimator) flowNoise(parts []normal, est *Estimate) float64 {
	var left, free float64
	for i := range parts {
		s := &parts[i]
		_, l, ok := s.explain()
		if !ok {
			return est.Noise
		}
		left += max(0, l)
		free += s.n - (unknowns*e.sums.passing()+1)/math.Sqrt(e.power.smooth)
	}
	if free < leastPixels {
		return est.Noise
	}
	variance := left / free / (2 * e.power.smooth)
	return min(est.Noise, math.Sqrt(max(variance, e.o.Noise*e.o.Noise, e.o.NoiseFloor*e.o.NoiseFloor)))
}

// middle is the direction of the middle of a part of a frame, half way between its places in the two frames.
func (e *Estimator) middle(r *Rays, a area) (axis [3]float64) {
	for _, row := range [2]int{(a.top + a.bottom - 1) / 2, (a.top + a.bottom) / 2} {
		for _, column := range [2]int{(a.left + a.right - 1) / 2, (a.left + a.right) / 2} {
			ray := e.halfWay(r, row, column, 1)[0].direction()
			for k := range axis {
				axis[k] += ray[k]
			}
		}
	}
	return scaled(axis, 1/math.Sqrt(dot(axis, axis)))
}

// direction is that of the ray itself: with the change R of the light along columns it is R x (e x R) / R.R.
func (p *ray) direction() [3]float64 {
	turn, way := [3]float64(p.right[:3]), [3]float64(p.right[3:])
	return scaled(cross(way, turn), 1/dot(way, way))
}

// positiveWithout reports whether the information less a part of what noise makes of it is that of anything, and leaves
// squares above 0 under whatever motion.
func (f *Flow) positiveWithout(own *matrix6, part float64) bool {
	var m matrix7 // of which the lower triangle is used
	for i := range unknowns {
		for j := range i + 1 {
			m[i][j] = f.Information[i][j] - part*own[i][j]
		}
		m[unknowns][i] = f.Towards[i]
	}
	m[unknowns][unknowns] = f.Square
	return m.positive()
}

// inform makes information of sums, and says what noise makes of it.
func (e *Estimator) inform(out *Flow, n *normal, r *Rays, noise float64, own *matrix6) {
	s2 := 2 * noise * noise * e.power.smooth
	s2 = max(s2, 1e-18*n.tt/n.n) // nothing is known better than it was rounded
	w := 0.0
	if s2 > 0 {
		w = e.power.smooth / s2
	}
	made := w * n.n * (noise*noise/2 + e.o.Pattern*e.o.Pattern)
	madeX, madeY, k, by := made*e.power.x, made*e.power.y, 0, 1/n.n
	for i := range unknowns {
		c := n.c[i] * by
		for j := i; j < unknowns; j++ {
			v, o := w*(n.cc[k]-c*n.c[j]), madeX*r.x[i][j]+madeY*r.y[i][j]
			out.Information[i][j], out.Information[j][i] = v, v
			own[i][j], own[j][i] = o, o
			k++
		}
		out.Towards[i] = w * (n.ct[i] - c*n.t)
	}
	out.Square, out.Pixels, out.Free = w*max(0, n.tt-n.t*n.t*by), n.n, n.n*e.power.smooth
	out.Axis, out.Place = r.axis, r.place
}

func (s *normal) add(o *normal) {
	s.n += o.n
	s.t += o.t
	s.tt += o.tt
	for i := range s.c {
		s.c[i] += o.c[i]
		s.ct[i] += o.ct[i]
	}
	for i := range s.cc {
		s.cc[i] += o.cc[i]
	}
}

// index is the place of a pair of unknowns in the upper triangle, row by row.
func index(i, j int) int { return i*unknowns - i*(i+1)/2 + j }

// normal are sums over the pixels of an area: of the columns of the unknowns, of what is observed, and of their
// products.
type normal struct {
	of       area
	n, t, tt float64
	c, ct    [unknowns]float64
	cc       [unknowns * (unknowns + 1) / 2]float64
}

// accumulate adds up what all pixels tell, two at a time.
func (e *Estimator) accumulate(r *Rays, a area) (s normal) {
	s.of = a
	f, w := &e.fields, e.shape.Columns
	bx, by := e.before.shift()
	for row := a.top; row < a.bottom; row++ {
		i, n := row*w+a.left, a.right-a.left
		gx, gy, ts, rays := f.gx[i:][:n], f.gy[i:][:n], f.t[i:][:n], e.halfWay(r, row, a.left, n)
		for k := 0; k < n; k += 2 {
			x, y := gx[k], gy[k]
			t := ts[k] - bx*x - by*y
			if t == t {
				s.n++
			} else { // it tells nothing
				x, y, t = 0, 0, 0
			}
			var x2, y2, t2 float64
			p, q := &rays[k], &rays[k]
			if k+1 < n {
				q = &rays[k+1]
				x2, y2 = gx[k+1], gy[k+1]
				if t2 = ts[k+1] - bx*x2 - by*y2; t2 == t2 {
					s.n++
				} else {
					x2, y2, t2 = 0, 0, 0
				}
			}
			s.add2(p, q, x, y, t, x2, y2, t2)
		}
	}
	return s
}

// differ takes the differences anew, of pixels whose gradients are the same.
func (e *Estimator) differ(r *Rays, s *normal) {
	f, w, a := &e.fields, e.shape.Columns, s.of
	bx, by := e.before.shift()
	var sum, squares, ct0, ct1, ct2, ct3, ct4, ct5 float64
	for row := a.top; row < a.bottom; row++ {
		i, n := row*w+a.left, a.right-a.left
		gx, gy, ts, rays := f.gx[i:][:n], f.gy[i:][:n], f.t[i:][:n], e.halfWay(r, row, a.left, n)
		for k := range rays {
			x, y := gx[k], gy[k]
			t := ts[k] - bx*x - by*y
			if t != t {
				continue
			}
			p := &rays[k]
			sum += t
			squares += t * t
			x, y = x*t, y*t
			ct0 += x*p.right[0] + y*p.down[0]
			ct1 += x*p.right[1] + y*p.down[1]
			ct2 += x*p.right[2] + y*p.down[2]
			ct3 += x*p.right[3] + y*p.down[3]
			ct4 += x*p.right[4] + y*p.down[4]
			ct5 += x*p.right[5] + y*p.down[5]
		}
	}
	s.t, s.tt, s.ct = sum, squares, [unknowns]float64{ct0, ct1, ct2, ct3, ct4, ct5}
}

// add2 adds two pixels, written out since it is what takes the time.
func (s *normal) add2(p, q *ray, x, y, t, x2, y2, t2 float64) {
	a, a2 := x*p.right[0]+y*p.down[0], x2*q.right[0]+y2*q.down[0]
	b, b2 := x*p.right[1]+y*p.down[1], x2*q.right[1]+y2*q.down[1]
	c, c2 := x*p.right[2]+y*p.down[2], x2*q.right[2]+y2*q.down[2]
	d, d2 := x*p.right[3]+y*p.down[3], x2*q.right[3]+y2*q.down[3]
	e, e2 := x*p.right[4]+y*p.down[4], x2*q.right[4]+y2*q.down[4]
	f, f2 := x*p.right[5]+y*p.down[5], x2*q.right[5]+y2*q.down[5]
	s.t += t + t2
	s.tt += t*t + t2*t2
	s.c[0] += a + a2
	s.ct[0] += a*t + a2*t2
	s.c[1] += b + b2
	s.ct[1] += b*t + b2*t2
	s.c[2] += c + c2
	s.ct[2] += c*t + c2*t2
	s.c[3] += d + d2
	s.ct[3] += d*t + d2*t2
	s.c[4] += e + e2
	s.ct[4] += e*t + e2*t2
	s.c[5] += f + f2
	s.ct[5] += f*t + f2*t2
	s.cc[0] += a*a + a2*a2
	s.cc[1] += a*b + a2*b2
	s.cc[2] += a*c + a2*c2
	s.cc[3] += a*d + a2*d2
	s.cc[4] += a*e + a2*e2
	s.cc[5] += a*f + a2*f2
	s.cc[6] += b*b + b2*b2
	s.cc[7] += b*c + b2*c2
	s.cc[8] += b*d + b2*d2
	s.cc[9] += b*e + b2*e2
	s.cc[10] += b*f + b2*f2
	s.cc[11] += c*c + c2*c2
	s.cc[12] += c*d + c2*d2
	s.cc[13] += c*e + c2*e2
	s.cc[14] += c*f + c2*f2
	s.cc[15] += d*d + d2*d2
	s.cc[16] += d*e + d2*e2
	s.cc[17] += d*f + d2*f2
	s.cc[18] += e*e + e2*e2
	s.cc[19] += e*f + e2*f2
	s.cc[20] += f*f + f2*f2
}

// halfWay are the rays of pixels of a row half way between their places in the two frames. Where that is between two
// pixels it is the mean of theirs: by the ray of one of them the whole chip would seem to look half a pixel aside, and
// of the turn a part would be told about another axis.
func (e *Estimator) halfWay(r *Rays, row, from, n int) []ray {
	a, b := e.bothWays(row, from)
	if a == b {
		return r.rays[a:][:n]
	}
	if e.between.of != r || e.between.at != e.before {
		e.meanRays(r)
	}
	return e.between.rays[row*e.shape.Columns+from:][:n]
}

// bothWays are the indices of the two pixels of which the rays are taken, of one that is given by row and column.
func (e *Estimator) bothWays(row, column int) (a, b int) {
	s, d := e.shape, e.before
	up, down := row+d.rows>>1, row+(d.rows+1)>>1
	// Columns are counted from where a row begins, which on a hexagonal lattice is half a column aside in every other.
	both := d.columns(s, row) + (s.halves(row)+s.halves(row+d.rows)-s.halves(up)-s.halves(down))/2
	left := both >> 1
	return up*s.Columns + column + left, down*s.Columns + column + both - left
}

// between are rays half way between pixels, for a displacement.
type between struct {
	of   *Rays
	at   displacement
	rays []ray
}

// meanRays works them out for all pixels with gradients; they are kept, as the next pair often moves as far.
func (e *Estimator) meanRays(r *Rays) {
	if e.between.rays == nil {
		e.between.rays = make([]ray, len(r.rays))
	}
	e.between.of, e.between.at = r, e.before
	f := &e.fields
	for row := f.top; row < f.bottom; row++ {
		a, b := e.bothWays(row, f.left)
		n := f.right - f.left
		one, two, out := r.rays[a:][:n], r.rays[b:][:n], e.between.rays[row*e.shape.Columns+f.left:][:n]
		for k := range out {
			p, q, m := &one[k], &two[k], &out[k]
			for j := range unknowns {
				m.right[j] = (p.right[j] + q.right[j]) / 2
				m.down[j] = (p.down[j] + q.down[j]) / 2
			}
		}
	}
}

// Angles are by how many radians what a chip sees turned about its lens, to the right and down, where its picture moved
// by a shift as a whole: the turn that explains it best over all pixels.
func Angles(c *geometry.Camera, columns, rows float64) (right, down float64) {
	l := c.Lattice()
	axis := c.Sight(0, 0)
	// A turn of the body to the left, about up, moves what is seen to the right.
	up, left := scaled(axis.Down, -1/math.Sqrt(dot(axis.Down, axis.Down))),
		scaled(axis.Right, -1/math.Sqrt(dot(axis.Right, axis.Right)))
	var aa, ab, bb, at, bt float64
	for row := range l.Rows {
		for column := range l.Columns {
			s := c.Pixel(row, column)
			x, y := dual(s.Right, scaled(s.Down, l.RowPitch()))
			a, b := scaled(cross(up, s.Ray), -1), scaled(cross(left, s.Ray), -1)
			ax, ay, bx, by := dot(x, a), dot(y, a), dot(x, b), dot(y, b)
			aa, ab, bb = aa+ax*ax+ay*ay, ab+ax*bx+ay*by, bb+bx*bx+by*by
			at, bt = at+ax*columns+ay*rows, bt+bx*columns+by*rows
		}
	}
	det := aa*bb - ab*ab
	return (bb*at - ab*bt) / det, -(aa*bt - ab*at) / det
}
