package scene

import "math"

// matrix is a rotation; rows first.
type matrix [9]float64

// attitude returns the rotation that takes a vector of the turned frame to the
// outer one: Rz(yaw) Ry(-pitch) Rx(roll), with x forward, y left, z up.
func attitude(yawDeg, pitchDeg, rollDeg float64) matrix {
	sy, cy := sincosDeg(yawDeg)
	sp, cp := sincosDeg(pitchDeg)
	sr, cr := sincosDeg(rollDeg)
	return matrix{
		cy * cp, -sy*cr - cy*sp*sr, sy*sr - cy*sp*cr,
		sy * cp, cy*cr - sy*sp*sr, -cy*sr - sy*sp*cr,
		sp, cp * sr, cp * cr,
	}
}

func (m matrix) apply(x, y, z float64) (float64, float64, float64) {
	return m[0]*x + m[1]*y + m[2]*z, m[3]*x + m[4]*y + m[5]*z, m[6]*x + m[7]*y + m[8]*z
}

// sincosDeg is exact at multiples of 90 degrees, which mounts often are.
func sincosDeg(deg float64) (sin, cos float64) {
	deg = math.Mod(deg, 360)
	quarter := math.Round(deg / 90)
	sin, cos = math.Sincos(radians(deg - 90*quarter))
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
