package geometry

import "math"

// Rotation is a rotation matrix; rows first.
type Rotation [9]float64

// Attitude returns the rotation that takes a vector of the turned frame to the
// outer one: Rz(yaw) Ry(-pitch) Rx(roll), with x forward, y left, z up.
func Attitude(yawDeg, pitchDeg, rollDeg float64) Rotation {
	return NewTilt(pitchDeg, rollDeg).Turned(yawDeg)
}

// Tilt is a pitch and a roll made ready to be turned by one yaw after another.
type Tilt struct{ sp, cp, sr, cr float64 }

// NewTilt makes a tilt.
func NewTilt(pitchDeg, rollDeg float64) Tilt {
	var t Tilt
	t.sp, t.cp = SincosDeg(pitchDeg)
	t.sr, t.cr = SincosDeg(rollDeg)
	return t
}

// Turned is the attitude of that pitch and roll with a yaw.
func (t Tilt) Turned(yawDeg float64) Rotation {
	sy, cy := SincosDeg(yawDeg)
	sp, cp, sr, cr := t.sp, t.cp, t.sr, t.cr
	return Rotation{
		cy * cp, -sy*cr - cy*sp*sr, sy*sr - cy*sp*cr,
		sy * cp, cy*cr - sy*sp*sr, -cy*sr - sy*sp*cr,
		sp, cp * sr, cp * cr,
	}
}

// Apply turns a vector.
func (m Rotation) Apply(x, y, z float64) (float64, float64, float64) {
	return m[0]*x + m[1]*y + m[2]*z, m[3]*x + m[4]*y + m[5]*z, m[6]*x + m[7]*y + m[8]*z
}

// Undo turns a vector back.
func (m Rotation) Undo(x, y, z float64) (float64, float64, float64) {
	return m[0]*x + m[3]*y + m[6]*z, m[1]*x + m[4]*y + m[7]*z, m[2]*x + m[5]*y + m[8]*z
}

// SincosDeg is exact at multiples of 90 degrees, which mounts often are.
func SincosDeg(deg float64) (sin, cos float64) {
	deg = math.Mod(deg, 360)
	quarter := math.Round(deg / 90)
	sin, cos = math.Sincos(Radians(deg - 90*quarter))
	switch (int(quarter) + 8) % 4 {
	case 1:
		return cos, -sin
	case 2:
		return -sin, -cos
	case 3:
		return -cos, sin
	}
	return sin, cos
}

// Radians are degrees as radians.
func Radians(deg float64) float64 { return deg * (math.Pi / 180) }

// Degrees are radians as degrees.
func Degrees(rad float64) float64 { return rad * (180 / math.Pi) }

// Length is that of a vector.
func Length(v [3]float64) float64 { return math.Sqrt(v[0]*v[0] + v[1]*v[1] + v[2]*v[2]) }
