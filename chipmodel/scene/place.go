package scene

import (
	"math"

	"facetd.example/chipmodel/bustime"
)

// aside reports whether the camera is not in the middle of the body.
func (v *View) aside() bool { return v.arm() > 0 }

// arm is the distance of the camera from the middle of the body, in metres.
func (v *View) arm() float64 {
	x, y, z := v.camera.Place()
	return math.Sqrt(x*x + y*y + z*z)
}

// place puts the camera of a view into the pipe, turned and moved with the body; it is false for one that is not in it.
func (p *pose32) place(m Motion, at bustime.Time, v *View) bool {
	pose := m.At(at)
	px, py, pz := v.camera.Place()
	x, y, z := attitudeOf(pose).Apply(px, py, pz)
	x, y, z = (x+pose.ForwardM)/m.PipeRadiusM, (y+pose.LeftM)/m.PipeRadiusM, (z+pose.UpM)/m.PipeRadiusM
	p.lamp[0], p.lamp[1] = float32(pose.ForwardM/m.PipeRadiusM), float32(pose.LeftM/m.PipeRadiusM)
	p.lamp[2], p.lampAside = float32(pose.UpM/m.PipeRadiusM), pose.LeftM != 0 || pose.UpM != 0
	within := 1 - y*y - z*z
	p.aside, p.from, p.open = true, [3]float32{float32(x), float32(y), float32(z)}, float32(1/within)
	// Less than a millionth of the radius before the wall nothing is to be seen in float32 either.
	return within >= 2e-6
}

// meet returns where a ray meets the wall, as seen from where the picture was taken, at any length; and by how
// much more its footprint covers than that of a camera on the axis with the same result (see Row), which sees the wall
// at the slant at which it is seen from the middle of the picture.
//
// With the camera at q (a radius of the pipe is 1) and the ray d, the wall is at t with |(q + t d)_yz| = 1: of a = d.d,
// b = q.d and c = q.q - 1, all across the axis, t = (S - b)/a where S = sqrt(b^2 - a c), and w = 1/t = (S + b)/(-c).
// Then v = d + w q has the direction wanted, and is as good far away, where t is not finite. A solid angle W covers
// W t^2/S of the wall (S is the cosine of the slant), and that W w/(S |v|^3) as seen from the axis; there w = S.
//
// lit is how brightly a lamp in the middle of the body lights that place, against one on the axis beside it. A lamp
// that shines alike in all directions lights a place at r from it by cos/r^2 (Lambert's cosine law, from memory).
func (p *pose32) meet(x, y, z float32) (vx, vy, vz, wider, lit float32) {
	a, b := y*y+z*z, p.from[1]*y+p.from[2]*z
	s := float32(math.Sqrt(float64(b*b + a/p.open)))
	w := (s + b) * p.open
	wider = 1
	if s > 0 {
		wider = w / s
	}
	vx, vy, vz = x+w*p.from[0], y+w*p.from[1], z+w*p.from[2]
	if lit = 1; p.lampAside && w > 1e-6 {
		lit = p.litAt(vx, vy, vz, w)
	}
	return vx, vy, vz, wider, lit
}

// litAt is how brightly the lamp lights the place v/w of the wall: of u = v - w c, where c is the lamp, r is u/w, and
// the cosine v.u/(w |u|), across the axis.
func (p *pose32) litAt(vx, vy, vz, w float32) float32 {
	ux, uy, uz := vx-w*p.lamp[0], vy-w*p.lamp[1], vz-w*p.lamp[2]
	near := (w*w + ux*ux) / (ux*ux + uy*uy + uz*uz)
	return max((vy*uy+vz*uz)/(w*w), 0) * near * float32(math.Sqrt(float64(near)))
}
