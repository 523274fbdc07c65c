package geometry

import "math"

// Mount is how a chip is turned in the body frame, in degrees, and where its lens is, in metres from the body's middle.
type Mount struct {
	YawDeg, PitchDeg, RollDeg float64
	XM, YM, ZM                float64
}

// Camera is a chip behind its lens on its mount. It is immutable and safe for concurrent use.
type Camera struct {
	lattice  Lattice
	mount    Mount
	lens     Lens
	optic    optic
	attitude Rotation
	spread   Spread
	// Focal lengths that a column pitch is, along a row and along a column.
	fx, fy float64
}

// New puts a camera together of parts with which Check finds nothing wrong, such as those of a checked array.
func New(l Lattice, t Mount, e Lens) *Camera {
	c := &Camera{lattice: l, mount: t, lens: e, optic: newOptic(e), spread: e.Spread(l),
		attitude: Attitude(t.YawDeg, t.PitchDeg, t.RollDeg)}
	c.fx, c.fy = c.optic.perPitch(l)
	return c
}

// Lattice is that of the chip.
func (c *Camera) Lattice() Lattice { return c.lattice }

// Place is where the lens is, in metres in the body frame.
func (c *Camera) Place() (x, y, z float64) { return c.mount.XM, c.mount.YM, c.mount.ZM }

// Attitude takes a vector of the lens's frame (x ahead, y left, z up) to the body frame.
func (c *Camera) Attitude() Rotation { return c.attitude }

// Focal is the focal length in column pitches, along a row and along a column; an anamorphic lens has two.
func (c *Camera) Focal() (x, y float64) { return 1 / c.fx, 1 / c.fy }

// Lens is what the chip looks through.
func (c *Camera) Lens() Lens { return c.lens }

// Spread is the blur of the lens.
func (c *Camera) Spread() Spread { return c.spread }

// Sight is how a point of the sensor sees.
type Sight struct {
	// Ray is the direction that it looks in, a unit vector of the body frame.
	Ray [3]float64
	// Right and Down are how the ray changes with the point, in radians a column pitch: the Jacobian of the camera.
	Right, Down [3]float64
	// Angle is that to the view axis, in radians.
	Angle float64
	// SolidAngle is what a square of one column pitch sees, in steradians.
	SolidAngle float64
	// Light is what the lens gives there, relative to its axis.
	Light float64
}

// Sight looks through a point of the sensor within the array.
func (c *Camera) Sight(x, y float64) Sight {
	x, y = x*c.fx, y*c.fy
	rd := math.Hypot(x, y)
	r, area := c.optic.undistort(rd)
	s := Sight{}
	cos, sin := 1.0, 0.0 // around the axis, from the right downwards
	scale := 1.0         // r / r_d
	if rd > 0 {
		cos, sin, scale = x/rd, y/rd, r/rd
	}
	// What a focal length on the sensor is worth, outward from the axis and around it, in radians.
	outward, around := area/scale, scale
	var ray [3]float64 // ahead, left, up
	var sinA, cosA float64
	if c.lens.Projection == Rectilinear {
		x, y := x*scale, y*scale
		cosA = 1 / math.Sqrt(1+x*x+y*y)
		sinA = r * cosA
		ray = [3]float64{cosA, -x * cosA, -y * cosA}
		s.Angle = math.Atan(r)
		s.SolidAngle = c.fx * c.fy * area * cosA * cosA * cosA
		outward, around = outward*cosA*cosA, around*cosA
	} else {
		s.Angle = c.lens.Projection.Angle(r)
		sinA, cosA = math.Sincos(s.Angle)
		ray = [3]float64{cosA, -sinA * cos, -sinA * sin}
		outward *= c.lens.Projection.slope(r)
		if r > 0 {
			around *= sinA / r
		}
		s.SolidAngle = c.fx * c.fy * outward * around
	}
	s.Light = c.lens.relativeLight(s.Angle, cosA)
	s.Ray = c.turn(ray)
	// In the frame of the lens: d(ray)/d(angle) outward, and the direction around the axis.
	out, round := [3]float64{-sinA, -cosA * cos, -cosA * sin}, [3]float64{0, sin, -cos}
	var right, down [3]float64
	for i := range 3 {
		right[i] = c.fx * (out[i]*outward*cos - round[i]*around*sin)
		down[i] = c.fy * (out[i]*outward*sin + round[i]*around*cos)
	}
	s.Right, s.Down = c.turn(right), c.turn(down)
	return s
}

// Pixel is the sight of the middle of a pixel.
func (c *Camera) Pixel(row, column int) Sight { return c.Sight(c.lattice.Centre(row, column)) }

func (c *Camera) turn(v [3]float64) [3]float64 {
	x, y, z := c.attitude.Apply(v[0], v[1], v[2])
	return [3]float64{x, y, z}
}

// Project returns the point of the sensor that looks in a direction of the body frame (of any length but 0); ok is
// false where the lens shows none, or not within the array.
func (c *Camera) Project(x, y, z float64) (px, py float64, ok bool) {
	ahead, left, up := c.attitude.Undo(x, y, z)
	aside := math.Hypot(left, up)
	r := c.lens.Projection.Radius(math.Atan2(aside, ahead))
	if !(r < c.optic.turn()) {
		return 0, 0, false
	}
	if aside > 0 {
		rd := c.optic.distort(r)
		px, py = -left/aside*rd/c.fx, -up/aside*rd/c.fy
	}
	width, height := c.lattice.Extent()
	return px, py, math.Abs(px) <= width/2 && math.Abs(py) <= height/2
}
