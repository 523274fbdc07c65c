package geometry

import "math"

// optic is a lens made ready for use: it maps points of the sensor to angles.
type optic struct {
	projection   Projection
	k1           float64
	sideX, sideY float64 // radii of the edges of the field along the axes, undistorted, in focal lengths
	edgeX, edgeY float64 // the same points on the sensor
}

func newOptic(e Lens) optic {
	o := optic{projection: e.Projection, k1: e.DistortionK1,
		sideX: e.Projection.Radius(Radians(e.HorizontalFOVDeg) / 2),
		sideY: e.Projection.Radius(Radians(e.VerticalFOVDeg) / 2)}
	o.edgeX, o.edgeY = o.distort(o.sideX), o.distort(o.sideY)
	return o
}

// perPitch is how many focal lengths a column pitch on the sensor is, along a row and along a column; an anamorphic
// lens has two focal lengths.
func (o optic) perPitch(l Lattice) (x, y float64) {
	width, height := l.Extent()
	return 2 * o.edgeX / width, 2 * o.edgeY / height
}

// distort returns the radius on the sensor of a radius that the projection gives.
func (o optic) distort(r float64) float64 { return r * (1 + o.k1*r*r) }

// turn is the radius at which a barrel distortion folds the picture back, and there r_d is 2/3 of it; infinite without.
func (o optic) turn() float64 {
	if o.k1 >= 0 {
		return math.Inf(1)
	}
	return 1 / math.Sqrt(-3*o.k1)
}

// unfolded reports whether the radius on the sensor grows with that of the projection all over the field.
func (o optic) unfolded() bool {
	turn := o.turn()
	return o.sideX < turn && o.sideY < turn && math.Hypot(o.edgeX, o.edgeY) < turn*2/3
}

// undistort returns r / r_d at a radius on the sensor, and the ratio of
// areas dA/dA_d there. Newton's method from r_d approaches the root from one
// side only, whichever the sign of k1, so it cannot pass the turning point.
func (o optic) undistort(rd float64) (r, area float64) {
	if o.k1 == 0 || rd == 0 {
		return rd, 1
	}
	r = rd
	for range 60 {
		step := (r*(1+o.k1*r*r) - rd) / (1 + 3*o.k1*r*r)
		r -= step
		if math.Abs(step) <= 1e-15*r {
			break
		}
	}
	return r, 1 / ((1 + o.k1*r*r) * (1 + 3*o.k1*r*r))
}
