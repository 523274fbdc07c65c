package scene

import "math"

const (
	// squareEnough is the ratio of a pixel's axes up to which it is averaged over the square of its area: within 3 % of
	// the peak of a spot as small as a pixel.
	squareEnough = 4.0 / 3
	// maxTaps bounds the work of a pixel. Beyond that ratio of its axes there are gaps between its taps.
	maxTaps = 64
)

// streak is how a pixel far from square is averaged: over an odd or even number of taps about its ray, `step` apart
// along its longer axis. It is empty for a pixel that is square enough.
type streak struct {
	x, y, z float32
	taps    int32
}

// shape is the area over which a pixel averages, in the plane that touches the sphere at its ray: the standard
// deviations along its axes, and the direction of the longer one as the parts of it outward from the axis of the lens
// and around it.
type shape struct {
	longer, shorter float64
	outward, around float64
}

// variances returns those of a cell and its blur along a row and along a column, in squares of the column pitch. A
// hexagonal cell is as wide as high: it counts as the square of its area.
func (l Lattice) variances(blur float64) (x, y float64) {
	ratio := l.rowPitch()
	if l.Hexagonal {
		return ratio/12 + blur*blur, ratio/12 + blur*blur
	}
	return 1.0/12 + blur*blur, ratio*ratio/12 + blur*blur
}

// shapeOf takes variances on the sensor, in squares of focal lengths, through the lens at a point of the sensor at an
// angle around the axis: outward and around are the radians that a focal length is worth there in either direction.
func shapeOf(varX, varY, cos, sin, outward, around float64) shape {
	rr := (varX*cos*cos + varY*sin*sin) * outward * outward
	tt := (varX*sin*sin + varY*cos*cos) * around * around
	rt := (varY - varX) * sin * cos * outward * around
	half, spread := (rr+tt)/2, math.Hypot((rr-tt)/2, rt)
	s := shape{longer: math.Sqrt(half + spread)}
	// The product of the axes is exact where their difference would cancel.
	s.shorter = math.Sqrt(varX*varY) * outward * around / s.longer
	turn := math.Atan2(2*rt, rr-tt) / 2
	s.around, s.outward = math.Sincos(turn)
	return s
}

// taps returns how many taps a shape needs and how far apart they are, and the area of the square over which each of
// them averages. Along the longer axis taps and squares together have the variance of the shape; where the ratio is a
// whole number the squares lie edge to edge.
func (s shape) taps() (n int, apart, square float64) {
	ratio := s.longer / s.shorter
	if ratio <= squareEnough {
		return 1, 0, 12 * s.longer * s.shorter
	}
	n = min(int(math.Ceil(ratio-1e-9)), maxTaps)
	square = 12 * s.shorter * s.shorter
	return n, math.Sqrt(square * (ratio*ratio - 1) / float64(n*n-1)), square
}

// oblong looks up the pixels of a row of which some are far from square.
func (p *panorama) oblong(dst []float64, v *View, first int, pose *pose32) {
	rays, gain := v.viewRow(first, len(dst))
	for i := range rays {
		r, s := rays[i], v.streaks[first+i]
		light := p.look(pose, r)
		if s.taps > 1 {
			// As everywhere here differences are averaged, so that equal light stays exactly equal.
			back := float32(s.taps-1) / 2
			r.x, r.y, r.z = r.x-back*s.x, r.y-back*s.y, r.z-back*s.z
			base, sum := light, float32(0)
			for range s.taps {
				sum += p.look(pose, r) - base
				r.x, r.y, r.z = r.x+s.x, r.y+s.y, r.z+s.z
			}
			light = base + sum/float32(s.taps)
		}
		dst[i] = float64(light) * float64(gain[i])
	}
}

// look is what Row does for one ray, which need not have the length 1: its footprint lies in the plane that it reaches
// to.
func (p *panorama) look(pose *pose32, r ray) float32 {
	m := &pose.m
	x := m[0]*r.x + m[1]*r.y + m[2]*r.z
	y := m[3]*r.x + m[4]*r.y + m[5]*r.z
	z := m[6]*r.x + m[7]*r.y + m[8]*r.z
	if pose.forward != 0 {
		x += pose.forward * float32(math.Sqrt(float64(y*y+z*z)))
	}
	side, major, a, b := sideOf(x, y, z)
	inverse := 1 / major
	return p.cube.sample(side, a*inverse, b*inverse, p.area(r.footprint, inverse))
}
