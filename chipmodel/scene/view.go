package scene

import "math"

// ray is what a scene needs of one pixel on its fast path: the unit vector in
// the body frame, and the footprint in steradians (see View.Footprint).
type ray struct{ x, y, z, footprint float32 }

// View is the precomputed geometry of one chip. It is immutable and safe for
// concurrent use.
type View struct {
	lattice Lattice
	optics  Optics
	rays    []ray
	gain    []float32
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
	v := &View{lattice: l, optics: o,
		rays: make([]ray, l.Rows*l.Columns), gain: make([]float32, l.Rows*l.Columns)}
	mount := attitude(o.YawDeg, o.PitchDeg, o.RollDeg)
	optic := newLens(o)
	width, height := l.extent()
	fx, fy := 2*optic.edgeX/width, 2*optic.edgeY/height // per column pitch
	cell := fx * fy * l.rowPitch()
	for row := range l.Rows {
		for column := range l.Columns {
			x, y := l.centre(row, column)
			x, y = x*fx, y*fy
			scale, area := optic.undistort(math.Hypot(x, y))
			x, y = x*scale, y*scale
			cos := 1 / math.Sqrt(1+x*x+y*y)
			bx, by, bz := mount.apply(cos, -x*cos, -y*cos)
			omega := cell * area * cos * cos * cos
			i := row*l.Columns + column
			v.rays[i] = ray{float32(bx), float32(by), float32(bz), float32(omega * v.widening())}
			v.gain[i] = float32(1 - o.Vignetting + o.Vignetting*cos*cos*cos*cos)
		}
	}
	return v, nil
}

// widening is the factor by which the blur of the lens enlarges the area over which light is averaged: a cell of side p
// has variance p^2/12 along each axis, to which the blur adds its own.
func (v *View) widening() float64 { return 1 + 12*v.optics.BlurPixels*v.optics.BlurPixels }

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

// Footprint returns the solid angle in steradians of the square that has the
// variance of the pixel's cell widened by the blur of its lens.
func (v *View) Footprint(row, column int) float64 {
	return float64(v.rays[row*v.lattice.Columns+column].footprint)
}

// SolidAngle returns the solid angle of the pixel's own cell in steradians.
func (v *View) SolidAngle(row, column int) float64 {
	return v.Footprint(row, column) / v.widening()
}

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
