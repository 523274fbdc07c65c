package scene

import (
	"math"

	"facetd.example/chipmodel/geometry"
)

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
// deviation along its longer axis as a vector of the body frame, and that along the shorter one.
type shape struct {
	longer  [3]float64
	shorter float64
}

// shapeOf takes variances on the sensor, in squares of the column pitch, through the lens.
func shapeOf(s geometry.Sight, varX, varY float64) shape {
	var xx, yy, xy float64 // of the standard deviations as seen: their products
	right, down := math.Sqrt(varX), math.Sqrt(varY)
	for i := range 3 {
		x, y := s.Right[i]*right, s.Down[i]*down
		xx, yy, xy = xx+x*x, yy+y*y, xy+x*y
	}
	half, spread := (xx+yy)/2, math.Hypot((xx-yy)/2, xy)
	sin, cos := math.Sincos(math.Atan2(2*xy, xx-yy) / 2)
	out := shape{}
	for i := range 3 {
		out.longer[i] = s.Right[i]*right*cos + s.Down[i]*down*sin
	}
	// The product of the axes is exact where their difference would cancel.
	out.shorter = math.Sqrt(varX*varY) * s.SolidAngle / math.Sqrt(half+spread)
	return out
}

// taps returns how many taps a shape needs, from one to the next, and the area of the square over which each of them
// averages. Along the longer axis taps and squares together have the variance of the shape; where the ratio is a whole
// number the squares lie edge to edge.
func (s shape) taps() (n int, step [3]float64, square float64) {
	length := math.Sqrt(s.longer[0]*s.longer[0] + s.longer[1]*s.longer[1] + s.longer[2]*s.longer[2])
	ratio := length / s.shorter
	if !(ratio > squareEnough) {
		return 1, step, 12 * length * s.shorter
	}
	n = min(int(math.Ceil(min(ratio, maxTaps)-1e-9)), maxTaps)
	square = 12 * s.shorter * s.shorter
	apart := math.Sqrt((12*length*length-square)/float64(n*n-1)) / length
	for i := range step {
		step[i] = s.longer[i] * apart
	}
	return n, step, square
}
