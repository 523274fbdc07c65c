package scene

import "math"

// ray is what a scene needs of one pixel on its fast path: the unit vector in
// the body frame, and the footprint in steradians: the solid angle of the square that has the variance of the pixel's
// cell widened by the blur of its lens, or of one of its taps where it is far from square.
type ray struct{ x, y, z, footprint float32 }

// View is the precomputed geometry of one chip. It is immutable and safe for
// concurrent use.
type View struct {
	lattice Lattice
	optics  Optics
	lens    lens
	mount   matrix
	rays    []ray
	gain    []float32
	streaks []streak // nil when every pixel is square enough
}

// NewView computes the rays of a chip's pixels. Its error joins a *ParamError
// for every parameter that cannot be used.
func NewView(l Lattice, o Optics) (*View, error) {
	var c checks
	l.check(&c)
	o.check(&c)
	if err := c.err("view"); err != nil {
		return nil, err
	}
	n := l.Rows * l.Columns
	v := &View{lattice: l, optics: o, lens: newLens(o), mount: attitude(o.YawDeg, o.PitchDeg, o.RollDeg),
		rays: make([]ray, n), gain: make([]float32, n)}
	for row := range l.Rows {
		for column := range l.Columns {
			v.fill(row, column)
		}
	}
	return v, nil
}

// sight is where a pixel looks: at the point (x, y) of the plane one focal length ahead, the cosine of its angle to the
// axis, the solid angle of its cell, and what a focal length on the sensor is worth there in radians, outward from the
// axis and around it.
type sight struct{ x, y, cos, omega, outward, around float64 }

// perPitch is how many focal lengths a column pitch on the sensor is, along a row and along a column; an anamorphic
// lens has two focal lengths.
func (v *View) perPitch() (x, y float64) {
	width, height := v.lattice.extent()
	return 2 * v.lens.edgeX / width, 2 * v.lens.edgeY / height
}

func (v *View) sight(row, column int) sight {
	fx, fy := v.perPitch()
	x, y := v.lattice.centre(row, column)
	x, y = x*fx, y*fy
	scale, area := v.lens.undistort(math.Hypot(x, y))
	x, y = x*scale, y*scale
	cos := 1 / math.Sqrt(1+x*x+y*y)
	return sight{x: x, y: y, cos: cos, omega: fx * fy * v.lattice.rowPitch() * area * cos * cos * cos,
		outward: area / scale * cos * cos, around: scale * cos}
}

func (v *View) fill(row, column int) {
	s := v.sight(row, column)
	i := row*v.lattice.Columns + column
	bx, by, bz := v.mount.apply(s.cos, -s.x*s.cos, -s.y*s.cos)
	v.rays[i] = ray{float32(bx), float32(by), float32(bz), float32(s.omega * v.widening())}
	c := s.cos * s.cos
	v.gain[i] = float32(1 - v.optics.Vignetting + v.optics.Vignetting*c*c)
	v.stretch(i, s)
}

// stretch gives a pixel that is far from square its taps.
func (v *View) stretch(i int, s sight) {
	fx, fy := v.perPitch()
	varX, varY := v.lattice.variances(v.optics.BlurPixels)
	cos, sin, r := 1.0, 0.0, math.Hypot(s.x, s.y)
	if r > 0 {
		cos, sin = s.x/r, s.y/r
	}
	own := shapeOf(varX*fx*fx, varY*fy*fy, cos, sin, s.outward, s.around)
	n, apart, square := own.taps()
	if n == 1 {
		return
	}
	if v.streaks == nil {
		v.streaks = make([]streak, len(v.rays))
	}
	// In the frame of the lens (ahead, left, up) outward is d(ray)/d(angle), and around is square to it.
	out, around := own.outward*apart, own.around*apart
	x, y, z := v.mount.apply(-r*s.cos*out, -s.cos*cos*out+sin*around, -s.cos*sin*out-cos*around)
	v.streaks[i] = streak{float32(x), float32(y), float32(z), int32(n)}
	v.rays[i].footprint = float32(square)
}

// widening is the factor by which the blur of the lens enlarges the area over which light is averaged.
func (v *View) widening() float64 {
	x, y := v.lattice.variances(v.optics.BlurPixels)
	cellX, cellY := v.lattice.variances(0)
	return math.Sqrt(x / cellX * (y / cellY))
}

// Lattice returns the lattice that the view was made for.
func (v *View) Lattice() Lattice { return v.lattice }

// Optics returns the lens and mount that the view was made for.
func (v *View) Optics() Optics { return v.optics }

// Ray returns the direction that a pixel looks in, as a unit vector of the
// body frame. It panics, as a slice does, when the pixel does not exist.
func (v *View) Ray(row, column int) (x, y, z float64) {
	r := v.rays[row*v.lattice.Columns+column]
	return float64(r.x), float64(r.y), float64(r.z)
}

// SolidAngle returns the solid angle of the pixel's own cell in steradians.
func (v *View) SolidAngle(row, column int) float64 { return v.sight(row, column).omega }

// Gain returns the vignetting of a pixel, 1 on the axis.
func (v *View) Gain(row, column int) float64 {
	return float64(v.gain[row*v.lattice.Columns+column])
}

// span returns the index of the first pixel of a row and how many of its
// pixels fit into dst; what does not belong to the lattice is set dark.
func (v *View) span(dst []float64, row int) (first, n int) {
	if v == nil || row < 0 || row >= v.lattice.Rows {
		clear(dst)
		return 0, 0
	}
	n = min(len(dst), v.lattice.Columns)
	clear(dst[n:])
	return row * v.lattice.Columns, n
}
