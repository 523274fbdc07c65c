package geometry

import (
	"fmt"
	"math"
	"slices"

	"facetd.example/api/invalid"
)

// FalloffPoint is the light of a lens at an angle from its axis, relative to that on the axis.
type FalloffPoint struct{ AngleDeg, Relative float64 }

// maxFalloffPoints bounds the table of a lens.
const maxFalloffPoints = 1000

// falloff is the natural falloff of a lens without obstruction whose entrance pupil is flat, relative to the axis, at
// an angle from it in radians, of which the cosine is given too: the pupil is seen at that angle (cos), and a solid
// angle is spread over the area that the
// projection gives it. For a rectilinear lens that is cos^4; for others it follows from their radius. Behind the pupil,
// from a right angle on, it is 0.
func (p Projection) falloff(angle, cos float64) float64 {
	if !(angle < math.Pi/2) {
		return 0
	}
	switch {
	case angle == 0:
		return 1
	case p == Equidistant:
		return cos * math.Sin(angle) / angle
	case p == Stereographic:
		half := math.Cos(angle / 2)
		return cos * half * half * half * half
	}
	return cos * cos * (cos * cos)
}

// relativeLight is the light that a lens gives at an angle from its axis in radians, relative to that on the axis:
// its own falloff, interpolated linearly and beyond the last point as there, or the part of the natural one that it
// has.
func (e Lens) relativeLight(angle, cos float64) float64 {
	if len(e.Falloff) == 0 {
		return 1 - e.Vignetting + e.Vignetting*e.Projection.falloff(angle, cos)
	}
	deg := Degrees(angle)
	i, _ := slices.BinarySearchFunc(e.Falloff, deg, func(p FalloffPoint, deg float64) int {
		if p.AngleDeg < deg {
			return -1
		}
		return 1
	})
	switch {
	case i == 0:
		return e.Falloff[0].Relative
	case i == len(e.Falloff):
		return e.Falloff[i-1].Relative
	}
	a, b := e.Falloff[i-1], e.Falloff[i]
	return a.Relative + (deg-a.AngleDeg)/(b.AngleDeg-a.AngleDeg)*(b.Relative-a.Relative)
}

// checkFalloff checks the table of a lens.
func (e Lens) checkFalloff() (m invalid.Errors) {
	if len(e.Falloff) == 0 {
		return nil
	}
	if e.Vignetting != 0 {
		m.Add("vignetting", "the lens has its own falloff too", "give one of the two")
	}
	if n := len(e.Falloff); n < 2 || n > maxFalloffPoints {
		m.Add("falloff", fmt.Sprintf("has %d points", n), fmt.Sprintf("give 2 to %d", maxFalloffPoints))
		return m
	}
	for i, p := range e.Falloff {
		path := invalid.Index("falloff", i)
		switch {
		case i == 0 && !(p.AngleDeg == 0 && p.Relative == 1):
			m.Add(path, fmt.Sprintf("is %g at %g degrees", p.Relative, p.AngleDeg),
				"begin with relative: 1 at angle_deg: 0")
		case i > 0 && !(p.AngleDeg > e.Falloff[i-1].AngleDeg && p.AngleDeg <= 180):
			m.Add(path+".angle_deg", fmt.Sprintf("%g degrees is out of order", p.AngleDeg),
				"let the angles rise, to 180")
		case !(p.Relative >= 0 && p.Relative <= 1):
			m.Add(path+".relative", fmt.Sprintf("%g is out of range", p.Relative), "use 0 to 1")
		}
	}
	return m
}
