package scene

import (
	"math"

	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/geometry"
)

// Truth is how what carries the array really moves at an instant, for whoever estimates it from frames. Nothing of it
// is taken from light.
type Truth struct {
	Pose Pose
	// RateRadPerS is how it turns about its own x, y and z axes (forward, left, up), by the right hand, as REP 103 has
	// it (from memory).
	RateRadPerS [3]float64
	// VelocityMPerS is how it moves, along its own axes.
	VelocityMPerS [3]float64
}

// TruthAt is the motion of a scene at a bus time; false for a scene without a picture, which does not move.
func TruthAt(s Scene, at bustime.Time) (Truth, bool) {
	p, is := pictureOf(s, at)
	if !is {
		return Truth{}, false
	}
	m := p.opts.Motion
	t := Truth{Pose: m.At(at)}
	t.RateRadPerS = geometry.BodyRate(geometry.Mount{YawDeg: t.Pose.YawDeg, PitchDeg: t.Pose.PitchDeg,
		RollDeg: t.Pose.RollDeg}, m.yawRate(at), m.PitchRateDegPerS, m.RollRateDegPerS)
	x, y, z := attitudeOf(t.Pose).Undo(m.forwardRate(at), m.LeftMPerS, m.UpMPerS)
	t.VelocityMPerS = [3]float64{x, y, z}
	return t, true
}

// yawRate is the rate of yaw with that of its swing, in degrees a second.
func (m Motion) yawRate(at bustime.Time) float64 {
	if m.YawSwingDeg == 0 || m.YawSwingHz == 0 {
		return m.YawRateDegPerS
	}
	turn := 2 * math.Pi * m.YawSwingHz
	return m.YawRateDegPerS + m.YawSwingDeg*turn*math.Cos(2*math.Pi*(at-m.From).Cycles(m.YawSwingHz))
}

// forwardRate is the speed along the axis; its sign changes where the way turns back.
func (m Motion) forwardRate(at bustime.Time) float64 {
	if m.TravelM <= 0 || m.ForwardMPerS == 0 {
		return m.ForwardMPerS
	}
	if c := (at - m.From).Cycles(m.ForwardMPerS / (2 * m.TravelM)); c >= 0.25 && c < 0.75 {
		return -m.ForwardMPerS
	}
	return m.ForwardMPerS
}

// Sees is what a camera really sees in a direction of its lens.
type Sees struct {
	// DistanceM is that from the camera to what is seen; infinite where all is far away.
	DistanceM float64
	// ContactS is when the camera meets what lies ahead of it, should it go on as it does: what its own motion, turns
	// of the body included, leads to. Infinite where it stands, or goes nowhere.
	ContactS float64
}

// SeesAt is what a camera sees at a point of its sensor (in column pitches from its middle), and when it
// meets what it moves towards, at a bus time. Of scenes without a picture all is far away.
func SeesAt(s Scene, c *geometry.Camera, x, y float64, at bustime.Time) Sees {
	far := Sees{math.Inf(1), math.Inf(1)}
	p, is := pictureOf(s, at)
	truth, moves := TruthAt(s, at)
	if !is || !moves {
		return far
	}
	turn := attitudeOf(truth.Pose)
	outside := func(b [3]float64) vector {
		x, y, z := turn.Apply(b[0], b[1], b[2])
		return vector{x, y, z}
	}
	px, py, pz := c.Place()
	place := outside([3]float64{px, py, pz})
	from := vector{truth.Pose.ForwardM, truth.Pose.LeftM, truth.Pose.UpM}.plus(place, 1)
	pipe := p.opts.Motion.PipeRadiusM
	out := Sees{ContactS: math.Inf(1),
		DistanceM: p.opts.Surfaces.meets(from, outside(c.Sight(x, y).Ray), pipe).distance}
	// The camera is carried along, and around the middle of the body by its turns: v + w x r.
	w, u := truth.RateRadPerS, truth.VelocityMPerS
	own := outside([3]float64{u[0] + w[1]*pz - w[2]*py, u[1] + w[2]*px - w[0]*pz, u[2] + w[0]*py - w[1]*px})
	if speed := math.Sqrt(own.dot(own)); speed > 0 {
		ahead := vector{own[0] / speed, own[1] / speed, own[2] / speed}
		out.ContactS = p.opts.Surfaces.meets(from, ahead, pipe).distance / speed
	}
	return out
}
