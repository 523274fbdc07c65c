package geometry

import "math"

// Near and far. Lenses are not in one place: what is near is seen from each in another direction, so that fields which
// overlap far away need not do so near a wall, and the other way round.

// ProjectPoint returns the point of the sensor that sees a place, in metres in the body frame; ok is false where the
// lens shows none, or not within the array. The place of the lens itself is not seen.
func (c *Camera) ProjectPoint(x, y, z float64) (px, py float64, ok bool) {
	x, y, z = x-c.mount.XM, y-c.mount.YM, z-c.mount.ZM
	if x == 0 && y == 0 && z == 0 {
		return 0, 0, false
	}
	return c.Project(x, y, z)
}

// Parallax is the angle in radians between the directions in which two cameras have a place, in metres in the body
// frame; NaN at the place of one of them.
func Parallax(a, b *Camera, x, y, z float64) float64 {
	u := [3]float64{x - a.mount.XM, y - a.mount.YM, z - a.mount.ZM}
	v := [3]float64{x - b.mount.XM, y - b.mount.YM, z - b.mount.ZM}
	if u == [3]float64{} || v == [3]float64{} {
		return math.NaN()
	}
	// The arc tangent is exact for small angles, where an arc cosine is not.
	cross := [3]float64{u[1]*v[2] - u[2]*v[1], u[2]*v[0] - u[0]*v[2], u[0]*v[1] - u[1]*v[0]}
	return math.Atan2(math.Sqrt(cross[0]*cross[0]+cross[1]*cross[1]+cross[2]*cross[2]),
		u[0]*v[0]+u[1]*v[1]+u[2]*v[2])
}

// Surface is what is around the body, for what can be seen of it.
type Surface struct {
	// SphereM is the radius in metres of a sphere about the middle of the body, PipeM that of a straight pipe about its
	// x axis. One of the two is above 0, or neither: then all is far away.
	SphereM, PipeM float64
}

// At is the place on a surface that lies in a direction (a unit vector) from the middle of the body, in metres; far is
// true where the direction itself stands for it, since it is too far away to matter.
func (s Surface) At(x, y, z float64) (place [3]float64, far bool) {
	const farthest = 1e6 // radii of the pipe, along its axis
	switch {
	case s.SphereM > 0:
		return [3]float64{x * s.SphereM, y * s.SphereM, z * s.SphereM}, false
	case s.PipeM > 0:
		if aside := math.Hypot(y, z); aside*farthest > 1 {
			d := s.PipeM / aside
			return [3]float64{x * d, y * d, z * d}, false
		}
	}
	return [3]float64{x, y, z}, true
}

// Hit is where a ray (a unit vector of the body frame) from the place of a camera meets a surface, as a unit vector
// from the middle of the body. A lens outside of the surface sees nothing of it: ok is false.
func (s Surface) Hit(c *Camera, ray [3]float64) (direction [3]float64, ok bool) {
	x, y, z := c.mount.XM, c.mount.YM, c.mount.ZM
	// |p + t ray|^2 = r^2, across the axis only in a pipe.
	square, along, left, r := 1.0, x*ray[0]+y*ray[1]+z*ray[2], x*x+y*y+z*z, s.SphereM
	switch {
	case s.SphereM > 0:
	case s.PipeM > 0:
		square, along, left, r = ray[1]*ray[1]+ray[2]*ray[2], y*ray[1]+z*ray[2], y*y+z*z, s.PipeM
	default:
		return ray, true
	}
	if left >= r*r {
		return ray, false
	}
	if square < 1e-12 {
		return ray, true // along the pipe
	}
	t := (-along + math.Sqrt(along*along+square*(r*r-left))) / square
	hit := [3]float64{x + t*ray[0], y + t*ray[1], z + t*ray[2]}
	size := math.Sqrt(hit[0]*hit[0] + hit[1]*hit[1] + hit[2]*hit[2])
	return [3]float64{hit[0] / size, hit[1] / size, hit[2] / size}, true
}

// Sees is ProjectPoint for the place of a surface in a direction (a unit vector) from the middle of the body. A lens
// outside of the surface sees nothing of it.
func (s Surface) Sees(c *Camera, x, y, z float64) (px, py float64, ok bool) {
	if s.SphereM > 0 && math.Sqrt(c.mount.XM*c.mount.XM+c.mount.YM*c.mount.YM+c.mount.ZM*c.mount.ZM) >= s.SphereM ||
		s.SphereM == 0 && s.PipeM > 0 && math.Hypot(c.mount.YM, c.mount.ZM) >= s.PipeM {
		return 0, 0, false
	}
	place, far := s.At(x, y, z)
	if far {
		return c.Project(x, y, z)
	}
	return c.ProjectPoint(place[0], place[1], place[2])
}
