package scene

import (
	"fmt"
	"image"
	"math"

	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/geometry"
)

// MaxPixels is the largest picture accepted, 8192 by 4096.
const MaxPixels = 8192 * 4096

// Edge of the largest cube side, in texels: 0.1 degrees in its middle.
const (
	minCubeSize = 4
	maxCubeSize = 1024
)

// PanoramaOptions say how bright a picture is and how the crawler moves in it.
type PanoramaOptions struct {
	// LuxLow and LuxHigh are the light of relative luminance 0 (black) and 1
	// (white); linear in between. Both 0 or more; LuxHigh may be the lower.
	LuxLow, LuxHigh float64
	Motion          Motion
	// LampShare is which part of the light, 0 to 1, comes from a lamp in the middle of the body that shines alike in
	// all directions. The picture is taken to be lit from the axis: of a body that is aside the near wall is brighter.
	LampShare float64
	// Surfaces stand before the picture.
	Surfaces Surfaces
	// Label names the scene; empty for "panorama".
	Label string
}

func (o PanoramaOptions) check(c *checks) {
	const most = 1e9
	c.within("LuxLow", o.LuxLow, 0, most)
	c.within("LuxHigh", o.LuxHigh, 0, most)
	c.within("LampShare", o.LampShare, 0, 1)
	o.Motion.check(c)
	o.Surfaces.check(c)
}

type panorama struct {
	cube   cubeMap
	all    []float32 // texels of the cube
	scale  float32   // size^2/12 of the largest level, see Row
	opts   PanoramaOptions
	still  bool
	fixed  pose32
	levels [maxLevels]levelPlace // where those of the cube are among all texels
	tilt   *geometry.Tilt        // nil where pitch or roll move
	// pattern is painted on surfaces; nil without any.
	pattern []wave
	// What it remembers; nil for one that does not.
	poses  *poses
	frames frames
}

// pose32 is a pose made ready for the fast path: body to picture, and the
// forward displacement in pipe radii.
type pose32 struct {
	m       [9]float32
	forward float32
	// Where the camera is, in pipe radii in the frame of the picture, when it is aside of the middle of the body:
	// open is then 1/(1 - the square of its distance from the axis).
	aside bool
	from  [3]float32
	open  float32
	// lamp is the middle of the body, likewise, and share the part of the light that comes from there; lampAside tells
	// whether it is off the axis.
	lamp      [3]float32
	lampAside bool
	share     float32
}

// Panorama is an equirectangular picture around the crawler: its middle column
// is azimuth 0 (ahead), its left edge azimuth +180, so that what is left in the
// picture is left of the crawler; its top row is straight up. A picture that is
// not twice as wide as high is stretched over the whole sphere all the same.
// Components are decoded as sRGB (IEC 61966-2-1) and weighted to luminance with
// the Rec. 709 weights; transparent parts are dark.
//
// The picture is resampled here, once, to a pyramid of cube maps (float32), at
// the cost of about a tenth of a microsecond a texel. Each pixel then takes the
// average over about its own solid angle, in its own shape.
func Panorama(img image.Image, o PanoramaOptions) (Scene, error) {
	var c checks
	if c.that(img != nil, "img", img, "a picture") {
		size := img.Bounds().Size()
		c.that(size.X >= 1 && size.Y >= 1 && size.X <= MaxPixels/size.Y, "img", size,
			fmt.Sprintf("1 to %d pixels", MaxPixels))
	}
	o.check(&c)
	if err := c.err("panorama"); err != nil {
		return nil, err
	}
	light := linearise(img)
	low, span := float32(o.LuxLow), float32(o.LuxHigh-o.LuxLow)
	for i, v := range light.pix {
		light.pix[i] = low + span*v
	}
	size := cubeSize(light.width)
	for light.width > 4*size+4 {
		light = light.narrowed()
	}
	for light.height > 2*size+2 {
		light = light.shortened()
	}
	source := newEquirect(light)
	p := &panorama{cube: newCubeMap(size, source.at), opts: o, still: o.Motion.still()}
	p.all = p.cube.joined()
	p.scale = float32(size) * float32(size) / 12
	p.levels = p.cube.places()
	p.move(o.Motion)
	if !o.Surfaces.none() {
		p.pattern = patternOf()
	}
	return p, nil
}

// move prepares a motion.
func (p *panorama) move(m Motion) {
	p.opts.Motion, p.still, p.tilt = m, m.still(), nil
	if m.PitchRateDegPerS == 0 && m.RollRateDegPerS == 0 {
		tilt := geometry.NewTilt(m.PitchDeg, m.RollDeg)
		p.tilt = &tilt
	}
	p.fixed = p.poseAt(0)
}

// poseAt is the pose at a bus time.
func (p *panorama) poseAt(at bustime.Time) pose32 {
	pose := p.opts.Motion.At(at)
	if p.tilt != nil {
		return newPose32(p.opts.Motion, pose, p.tilt.Turned(pose.YawDeg))
	}
	return newPose32(p.opts.Motion, pose, attitudeOf(pose))
}

// cubeSize returns the power of two for which a texel in the middle of a side
// is no larger than a column of the picture, within the limits.
func cubeSize(width int) int {
	size := minCubeSize
	for size < maxCubeSize && float64(size)*math.Pi < float64(width) {
		size *= 2
	}
	return size
}

func attitudeOf(p Pose) geometry.Rotation { return geometry.Attitude(p.YawDeg, p.PitchDeg, p.RollDeg) }

func newPose32(m Motion, p Pose, attitude geometry.Rotation) pose32 {
	var out pose32
	for i, v := range attitude {
		out.m[i] = float32(v)
	}
	if m.PipeRadiusM > 0 {
		out.forward = float32(p.ForwardM / m.PipeRadiusM)
	}
	return out
}

func (p *panorama) Name() string {
	if p.opts.Label != "" {
		return p.opts.Label
	}
	return "panorama"
}

// Row looks up each ray on the cube, unless it is remembered.
//
// Pipe: with a unit ray d from a point moved by s along x, the wall is met at
// R/rho, rho = hypot(dy, dz). Seen from the old place that point lies in the
// direction (dx + (s/R) rho, dy, dz) after scaling by rho/R, and this vector
// v is used without being made a unit.
//
// A camera aside of the middle of the body is elsewhere in the pipe: see place.go.
//
// Footprint: a pixel of solid angle W covers W/|v|^3 as seen from the old place (distance and slant of the wall
// included; 1 when nothing moves), and a texel there measures (2/size)^2 (m/|v|)^3 with m the largest component of v.
// The ratio, W size^2/(4 m^3), no longer contains |v|. A box of side p has variance p^2/12 along each axis;
// interpolation between texels of side s averages with variance s^2/12 + s^2/6, on the smoothed levels with (9/12 +
// 1/6) s^2. `area` is p^2/3 in texels of level 0, so that the variances of the levels are equal to the pixel's at areas
// of 1, 11/3, 4 x 11/3 ...; in between, the mixture of two levels is that of equal variance.
func (p *panorama) Row(dst []float64, v *View, row int, at bustime.Time) {
	if p.frames == nil {
		p.lookRow(dst, v, row, at)
		return
	}
	p.frames.row(dst, v, row, func(dst []float64) { p.lookRow(dst, v, row, at) })
}

// lookRow looks up a row, as Row says.
func (p *panorama) lookRow(dst []float64, v *View, row int, at bustime.Time) {
	first, n := v.span(dst, row)
	pose := &p.fixed
	if !p.still {
		moved := p.recallPose(at)
		pose = &moved
	}
	if n > 0 && p.placed(v) {
		placed := *pose
		placed.share = float32(p.opts.LampShare)
		if pose = &placed; !placed.place(p.opts.Motion, at, v) {
			clear(dst[:n])
			return
		}
	}
	if n > 0 {
		p.row(dst[:n], v, first, pose, nil)
		if p.pattern != nil {
			p.cover(dst[:n], v, first, at)
		}
	}
}

// placed reports whether a camera is off the axis of the pipe, or may be.
func (p *panorama) placed(v *View) bool {
	return p.opts.Motion.PipeRadiusM > 0 && (v.aside() || p.opts.Motion.aside())
}

// area is a third of what a footprint covers, in texels of level 0.
func (p *panorama) area(footprint, inverse float32) float32 {
	return p.scale * footprint * inverse * inverse * inverse
}

func (v *View) viewRow(first, n int) ([]ray, []float32) {
	return v.rays[first : first+n], v.gain[first : first+n][:n]
}

// sideOf returns the side that a direction meets, the size of its largest
// component and the other two.
func sideOf(x, y, z float32) (side int, major, a, b float32) {
	ax, ay, az := abs32(x), abs32(y), abs32(z)
	switch {
	case ax >= ay && ax >= az:
		return int(math.Float32bits(x) >> 31), ax, y, z
	case ay >= az:
		return 2 + int(math.Float32bits(y)>>31), ay, x, z
	}
	return 4 + int(math.Float32bits(z)>>31), az, x, y
}

func abs32(v float32) float32 { return math.Float32frombits(math.Float32bits(v) &^ (1 << 31)) }

// levelOf is the finer of two levels that are mixed for a footprint, and the share of the coarser one; below 0 where
// one is enough. last is the coarsest level.
func levelOf(area float32, last int) (level int, mix float32) {
	if area <= 1 {
		return 0, -1
	}
	level, mix = 0, (area-1)*(3.0/8)
	if scaled := area * (3.0 / 11); scaled >= 1 {
		// Half the binary exponent, and what is left, from 1 to 4.
		bits := math.Float32bits(scaled)
		level = int(bits>>23-127) / 2
		mix = (math.Float32frombits(bits-uint32(level)<<24) - 1) * (1.0 / 3)
		level++
	}
	if level >= last {
		return last, -1
	}
	return level, mix
}
