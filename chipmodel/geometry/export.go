package geometry

import "math"

// What leaves for robots' programs follows REP 103 (units and axes: metres, radians, right-handed, x forward, y left,
// z up, fixed-axis roll, pitch and yaw; in the suffix frame of a camera z ahead, x right, y down) and REP 104 (a camera
// is described in that frame), both from memory. A rotation about y that is positive by the right hand turns the view
// down: pitch is down positive there, and up positive in mounts and poses here.

// RollPitchYaw are fixed-axis angles by REP 103, in radians: about x, then y (down positive), then z.
type RollPitchYaw struct{ Roll, Pitch, Yaw float64 }

// Quaternion is a rotation as a unit quaternion, w not below 0.
type Quaternion struct{ X, Y, Z, W float64 }

// RollPitchYaw are the angles of a rotation: roll and yaw within half a turn, pitch within a quarter. Straight up and
// down, where roll and yaw turn about one axis, the roll is 0.
func (m Rotation) RollPitchYaw() RollPitchYaw {
	cos := math.Hypot(m[0], m[3])
	a := RollPitchYaw{Pitch: math.Atan2(-m[6], cos)}
	if cos < 1e-9 {
		a.Yaw = math.Atan2(-m[1], m[4])
		return a
	}
	a.Roll, a.Yaw = math.Atan2(m[7], m[8]), math.Atan2(m[3], m[0])
	return a
}

// Optical is the attitude, in the frame to which m leads, of the optical frame of REP 103 (x right, y down, z ahead) of
// a lens whose frame (x ahead, y left, z up) m takes there.
func (m Rotation) Optical() Rotation {
	return Rotation{
		-m[1], -m[2], m[0],
		-m[4], -m[5], m[3],
		-m[7], -m[8], m[6],
	}
}

// Quaternion is the rotation as a unit quaternion; it is taken from the largest of its four parts, so that none is the
// small difference of large numbers.
func (m Rotation) Quaternion() Quaternion {
	trace := m[0] + m[4] + m[8]
	var q Quaternion
	switch {
	case trace >= m[0] && trace >= m[4] && trace >= m[8]:
		q = Quaternion{m[7] - m[5], m[2] - m[6], m[3] - m[1], 1 + trace}
	case m[0] >= m[4] && m[0] >= m[8]:
		q = Quaternion{1 + m[0] - m[4] - m[8], m[1] + m[3], m[2] + m[6], m[7] - m[5]}
	case m[4] >= m[8]:
		q = Quaternion{m[1] + m[3], 1 + m[4] - m[0] - m[8], m[5] + m[7], m[2] - m[6]}
	default:
		q = Quaternion{m[2] + m[6], m[5] + m[7], 1 + m[8] - m[0] - m[4], m[3] - m[1]}
	}
	size := math.Copysign(math.Sqrt(q.X*q.X+q.Y*q.Y+q.Z*q.Z+q.W*q.W), q.W)
	return Quaternion{q.X / size, q.Y / size, q.Z / size, q.W / size}
}

// BodyRate is how a body turns about its own x, y and z axes, in radians a second, right-handed as REP 103 has it,
// where yaw, pitch and roll of its attitude (degrees, pitch up positive) change at rates in degrees a second.
func BodyRate(m Mount, yawRate, pitchRate, rollRate float64) [3]float64 {
	sp, cp := SincosDeg(m.PitchDeg)
	sr, cr := SincosDeg(m.RollDeg)
	yaw, pitch, roll := Radians(yawRate), -Radians(pitchRate), Radians(rollRate)
	// Pitch by REP 103 is -PitchDeg: its sine is -sp.
	return [3]float64{roll + yaw*sp, pitch*cr + yaw*sr*cp, yaw*cr*cp - pitch*sr}
}
