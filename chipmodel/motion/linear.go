package motion

import "math"

// Vector is one of the body frame.
type Vector = [3]float64

// Matrix3 is a symmetric matrix over the body frame.
type Matrix3 [3][3]float64

// eigen3 are the eigenvalues of a symmetric matrix and its unit eigenvectors, by rotations after Jacobi (1846; from
// memory).
func eigen3(m Matrix3) (values Vector, vectors [3]Vector) {
	v := Matrix3{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	for range 30 {
		off := m[0][1]*m[0][1] + m[0][2]*m[0][2] + m[1][2]*m[1][2]
		if !(off > 1e-30*(m[0][0]*m[0][0]+m[1][1]*m[1][1]+m[2][2]*m[2][2])) {
			break
		}
		for p := range 2 {
			for q := p + 1; q < 3; q++ {
				if m[p][q] == 0 {
					continue
				}
				sin, cos := math.Sincos(math.Atan2(2*m[p][q], m[q][q]-m[p][p]) / 2)
				for k := range 3 {
					m[k][p], m[k][q] = cos*m[k][p]-sin*m[k][q], sin*m[k][p]+cos*m[k][q]
				}
				for k := range 3 {
					m[p][k], m[q][k] = cos*m[p][k]-sin*m[q][k], sin*m[p][k]+cos*m[q][k]
				}
				for k := range 3 {
					v[k][p], v[k][q] = cos*v[k][p]-sin*v[k][q], sin*v[k][p]+cos*v[k][q]
				}
			}
		}
	}
	for i := range 3 {
		values[i] = m[i][i]
		vectors[i] = Vector{v[0][i], v[1][i], v[2][i]}
	}
	return values, vectors
}

// solve3 solves m x = b in the directions in which m is above a part of its largest eigenvalue, and returns with it the
// covariance there, and in how many directions.
func solve3(m Matrix3, b Vector, part float64) (x Vector, covariance Matrix3, told int) {
	if x, covariance, ok := direct(m, b); ok {
		return x, covariance, 3
	}
	values, vectors := eigen3(m)
	largest := max(values[0], values[1], values[2])
	if !(largest > 0) {
		return x, covariance, 0
	}
	for i, v := range vectors {
		if !(values[i] > part*largest) {
			continue
		}
		told++
		along := dot(v, b) / values[i]
		for r := range 3 {
			x[r] += along * v[r]
			for c := range 3 {
				covariance[r][c] += v[r] * v[c] / values[i]
			}
		}
	}
	return x, covariance, told
}

// direct inverts a matrix by its cofactors where all directions are told well, which is most of the time.
func direct(m Matrix3, b Vector) (x Vector, inverse Matrix3, ok bool) {
	c00, c01, c02 := m[1][1]*m[2][2]-m[1][2]*m[1][2], m[0][2]*m[1][2]-m[0][1]*m[2][2], m[0][1]*m[1][2]-m[0][2]*m[1][1]
	det := m[0][0]*c00 + m[0][1]*c01 + m[0][2]*c02
	mean := (m[0][0] + m[1][1] + m[2][2]) / 3
	if !(mean > 0) || !(c00 > 0) || !(det > 1e-3*mean*mean*mean) {
		return x, inverse, false
	}
	c11, c12 := m[0][0]*m[2][2]-m[0][2]*m[0][2], m[0][1]*m[0][2]-m[0][0]*m[1][2]
	c22 := m[0][0]*m[1][1] - m[0][1]*m[0][1]
	inverse = Matrix3{{c00 / det, c01 / det, c02 / det}, {c01 / det, c11 / det, c12 / det},
		{c02 / det, c12 / det, c22 / det}}
	return inverse.times(b), inverse, true
}

func (m Matrix3) times(v Vector) (out Vector) {
	for r := range 3 {
		out[r] = m[r][0]*v[0] + m[r][1]*v[1] + m[r][2]*v[2]
	}
	return out
}

// plus adds a matrix times a number.
func (m *Matrix3) plus(o Matrix3, by float64) {
	for r := range 3 {
		for c := range 3 {
			m[r][c] += by * o[r][c]
		}
	}
}

// outer is a b'.
func outer(a, b Vector) (m Matrix3) {
	for r := range 3 {
		for c := range 3 {
			m[r][c] = a[r] * b[c]
		}
	}
	return m
}

// rotation, mixed and translation are the parts of a flow's information: of the turn, of turn and way, and of the way.
func (f *Flow) rotation() (m Matrix3)    { return f.part(0, 0) }
func (f *Flow) mixed() (m Matrix3)       { return f.part(0, 3) }
func (f *Flow) translation() (m Matrix3) { return f.part(3, 3) }

func (f *Flow) part(row, column int) (m Matrix3) {
	for r := range 3 {
		for c := range 3 {
			m[r][c] = f.Information[row+r][column+c]
		}
	}
	return m
}

func (f *Flow) towardsTurn() Vector { return Vector(f.Towards[:3]) }
func (f *Flow) towardsWay() Vector  { return Vector(f.Towards[3:]) }
