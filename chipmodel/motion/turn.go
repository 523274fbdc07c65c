package motion

import "math"

// Turn is the motion of a chip's picture as if the body only turned, and came nearer along the middle of the frame.
type Turn struct {
	// Angle is the turn in the body frame, in radians, and Information its inverse covariance: along directions of
	// which the picture tells nothing both are 0.
	Angle       Vector
	Information Matrix3
	// Expansion is by which part the picture grew between the frames, and its variance; ExpansionTold says whether it
	// is told at all.
	Expansion, ExpansionVariance float64
	ExpansionTold                bool
}

// blind is the part of the largest information below which a direction is not told: lenses see a turn about their own
// axis a hundred times less well than others, in squares.
const blind = 1e-5

// Turn is that of a flow.
func (f *Flow) Turn() (t Turn) {
	rr := f.rotation()
	var told int
	t.Angle, _, told = solve3(rr, f.towardsTurn(), blind)
	if told == 0 {
		return Turn{}
	}
	t.Information = rr
	// Way along the axis by a part of the distance makes the picture grow by that part: (v/r).q with v along the axis.
	rt := f.mixed().times(f.Axis)
	tt := dot(f.Axis, f.translation().times(f.Axis))
	solved, _, _ := solve3(rr, rt, blind)
	left := tt - dot(rt, solved)
	if left > 1e-6*tt && left > 0 {
		t.Expansion = (dot(f.Axis, f.towardsWay()) - dot(rt, t.Angle)) / left
		t.ExpansionVariance, t.ExpansionTold = 1/left, true
	}
	return t
}

// residual is what is left of the squares under a turn and a way.
func (f *Flow) residual(turn, way Vector) float64 {
	x := [unknowns]float64{turn[0], turn[1], turn[2], way[0], way[1], way[2]}
	left := f.Square
	for i := range unknowns {
		left -= 2 * x[i] * f.Towards[i]
		for j := range unknowns {
			left += x[i] * f.Information[i][j] * x[j]
		}
	}
	return math.Max(0, left)
}
