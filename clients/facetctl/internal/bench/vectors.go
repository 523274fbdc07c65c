package bench

import "math"

func (a Vector) dot(b Vector) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

// unit is a vector of length 1 along a; a itself where that has none.
func (a Vector) unit() Vector {
	n := math.Sqrt(a.dot(a))
	if n == 0 {
		return a
	}
	return Vector{a[0] / n, a[1] / n, a[2] / n}
}

func cross(a, b Vector) Vector {
	return Vector{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

func (m Matrix) times(v Vector) Vector { return Vector{m[0].dot(v), m[1].dot(v), m[2].dot(v)} }

func (m Matrix) transposed() (out Matrix) {
	for i := range 3 {
		for k := range 3 {
			out[i][k] = m[k][i]
		}
	}
	return out
}

// by is the matrix that does first o, and then m.
func (m Matrix) by(o Matrix) (out Matrix) {
	t := o.transposed()
	for i := range 3 {
		for k := range 3 {
			out[i][k] = m[i].dot(t[k])
		}
	}
	return out
}

// solved is x of m x = v; along directions of which m says nothing it is near 0.
func (m Matrix) solved(v Vector) Vector {
	var a [4][4]float64
	least := 1e-12 * (m[0][0] + m[1][1] + m[2][2])
	for i := range 3 {
		copy(a[i][:], m[i][:])
		a[i][i] += least
	}
	a[3][3] = 1
	x := solve4(a, [4]float64{v[0], v[1], v[2]})
	return Vector{x[0], x[1], x[2]}
}

// solve4 solves by elimination with the largest pivot; an unknown of which nothing is told is 0.
func solve4(a [4][4]float64, b [4]float64) (x [4]float64) {
	most := 0.0
	for i := range 4 {
		most = max(most, math.Abs(a[i][i]))
	}
	for i := range 4 {
		best := i
		for k := i; k < 4; k++ {
			if math.Abs(a[k][i]) > math.Abs(a[best][i]) {
				best = k
			}
		}
		a[i], a[best], b[i], b[best] = a[best], a[i], b[best], b[i]
		if math.Abs(a[i][i]) <= 1e-15*most {
			continue
		}
		for k := i + 1; k < 4; k++ {
			f := a[k][i] / a[i][i]
			for n := i; n < 4; n++ {
				a[k][n] -= f * a[i][n]
			}
			b[k] -= f * b[i]
		}
	}
	for i := 3; i >= 0; i-- {
		if math.Abs(a[i][i]) <= 1e-15*most {
			continue
		}
		x[i] = b[i]
		for k := i + 1; k < 4; k++ {
			x[i] -= a[i][k] * x[k]
		}
		x[i] /= a[i][i]
	}
	return x
}

// exp is the turn by a vector, in radians about its direction.
func exp(v Vector) Matrix {
	angle := math.Sqrt(v.dot(v))
	u := v.unit()
	sin, cos := math.Sincos(angle)
	out := Matrix{{cos, -u[2] * sin, u[1] * sin}, {u[2] * sin, cos, -u[0] * sin}, {-u[1] * sin, u[0] * sin, cos}}
	for i := range 3 {
		for k := range 3 {
			out[i][k] += (1 - cos) * u[i] * u[k]
		}
	}
	return out
}

// logOf is the vector of a turn.
func logOf(m Matrix) Vector {
	v := Vector{m[2][1] - m[1][2], m[0][2] - m[2][0], m[1][0] - m[0][1]}
	sin, cos := math.Sqrt(v.dot(v))/2, (m[0][0]+m[1][1]+m[2][2]-1)/2
	angle := math.Atan2(sin, cos)
	if sin < 1e-9 {
		if cos > 0 {
			return Vector{v[0] / 2, v[1] / 2, v[2] / 2}
		}
		// Half a turn: the axis is the column of m + 1 that is longest.
		best := Vector{}
		for k := range 3 {
			c := Vector{m[0][k], m[1][k], m[2][k]}
			if c[k]++; c.dot(c) > best.dot(best) {
				best = c
			}
		}
		v = best
	}
	u := v.unit()
	return Vector{u[0] * angle, u[1] * angle, u[2] * angle}
}

// matrix takes vectors of the chip (ahead, left, up) to the body frame.
func (m Mount) matrix() Matrix {
	ahead, left, up := m.axes()
	return Matrix{{ahead[0], left[0], up[0]}, {ahead[1], left[1], up[1]}, {ahead[2], left[2], up[2]}}
}

// mountOf is the mount of an attitude. Straight up or down its roll is told as yaw.
func mountOf(a Matrix) Mount {
	ahead, left := Vector{a[0][0], a[1][0], a[2][0]}, Vector{a[0][1], a[1][1], a[2][1]}
	m := Mount{PitchDeg: math.Atan2(ahead[2], math.Hypot(ahead[0], ahead[1])) * 180 / math.Pi}
	if math.Hypot(ahead[0], ahead[1]) < 1e-9 {
		m.YawDeg = math.Atan2(-left[0], left[1]) * 180 / math.Pi
		return m
	}
	m.YawDeg = math.Atan2(ahead[1], ahead[0]) * 180 / math.Pi
	_, level, above := Mount{YawDeg: m.YawDeg, PitchDeg: m.PitchDeg}.axes()
	m.RollDeg = math.Atan2(left.dot(above), left.dot(level)) * 180 / math.Pi
	return m
}
