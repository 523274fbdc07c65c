package geometry

import "math"

// Projection is how a lens maps the angle from its axis to a radius on the sensor.
type Projection int

// Projections, with the radius in focal lengths under an angle t (Miyamoto, J. Opt. Soc. Am. 54 (1964) 1060-1061; from
// memory).
const (
	// Rectilinear keeps straight lines straight: tan t.
	Rectilinear Projection = iota
	// Equidistant is the fisheye whose radius grows evenly: t.
	Equidistant
	// Stereographic is the fisheye that keeps small shapes: 2 tan(t/2).
	Stereographic
)

func (p Projection) String() string {
	switch p {
	case Equidistant:
		return "equidistant"
	case Stereographic:
		return "stereographic"
	}
	return "rectilinear"
}

// Radius is the radius in focal lengths at which a lens without distortion shows an angle from its axis in radians; NaN
// for what it cannot show.
func (p Projection) Radius(angle float64) float64 {
	switch {
	case !(angle >= 0 && angle <= math.Pi):
		return math.NaN()
	case p == Equidistant:
		return angle
	case p == Stereographic && angle < math.Pi:
		return 2 * math.Tan(angle/2)
	case p == Rectilinear && angle < math.Pi/2:
		return math.Tan(angle)
	}
	return math.NaN()
}

// Angle is the inverse of Radius: the angle in radians that is shown at a radius; NaN where none is.
func (p Projection) Angle(radius float64) float64 {
	switch {
	case !(radius >= 0):
		return math.NaN()
	case p == Equidistant && radius > math.Pi:
		return math.NaN()
	case p == Equidistant:
		return radius
	case p == Stereographic:
		return 2 * math.Atan(radius/2)
	}
	return math.Atan(radius)
}

// slope is d(angle)/d(radius) at a radius.
func (p Projection) slope(radius float64) float64 {
	switch p {
	case Equidistant:
		return 1
	case Stereographic:
		return 1 / (1 + radius*radius/4)
	}
	return 1 / (1 + radius*radius)
}

// widest is the widest full field in degrees that is accepted; a rectilinear picture grows without bound towards 180
// degrees, a stereographic one towards 360.
func (p Projection) widest() float64 {
	switch p {
	case Equidistant:
		return 360
	case Stereographic:
		return 340
	}
	return 170
}
