package scene

import (
	"image"
	"math"
)

// Size of the demo picture, and the seed of its bricks and stains.
const (
	demoWidth, demoHeight = 1024, 512
	demoSeed              = 20260731
)

// Geometry of the invented culvert in pipe radii, seen from its axis.
const (
	demoRing     = 0.16 // length of a ring of bricks along the pipe
	demoBricks   = 30   // bricks around a ring
	demoSection  = 8    // rings between two joints of the structure
	demoWater    = 0.66 // depth of the water surface below the axis
	demoOutlet   = 10.0 // distance of the bright end ahead
	demoDeadEnd  = 40.0 // distance of the dark end behind
	demoMortar   = 0.09 // mortar as a fraction of the ring length
	demoJoint    = 0.03
	demoFillLamp = 1.3  // the crawler's own lamps, against full daylight
	demoOffset   = 0.55 // the picture is taken between two joints
)

// DemoPanorama paints the inside of an invented brick culvert as an
// equirectangular picture of 1024 by 512: rings of bricks with joints between
// sections, stains and lime, water over a stony bed below, a bright outlet
// ahead and darkness behind. It is the same picture every time.
func DemoPanorama() image.Image {
	img := image.NewRGBA(image.Rect(0, 0, demoWidth, demoHeight))
	encode := newEncodeTable()
	var sinAz, cosAz [demoWidth]float64
	for i := range demoWidth {
		sinAz[i], cosAz[i] = math.Sincos(math.Pi - 2*math.Pi*(float64(i)+0.5)/demoWidth)
	}
	for row := range demoHeight {
		sinEl, cosEl := math.Sincos(math.Pi/2 - math.Pi*(float64(row)+0.5)/demoHeight)
		line := img.Pix[row*img.Stride:][:4*demoWidth]
		for column := range demoWidth {
			c := demoLight(cosEl*cosAz[column], cosEl*sinAz[column], sinEl)
			line[4*column] = encode.at(c.r)
			line[4*column+1] = encode.at(c.g)
			line[4*column+2] = encode.at(c.b)
			line[4*column+3] = 255
		}
	}
	return img
}

// rgb is linear light.
type rgb struct{ r, g, b float64 }

func (c rgb) times(f float64) rgb { return rgb{c.r * f, c.g * f, c.b * f} }

func (c rgb) towards(d rgb, t float64) rgb {
	return rgb{c.r + t*(d.r-c.r), c.g + t*(d.g-c.g), c.b + t*(d.b-c.b)}
}

// demoLight returns the light that comes from a direction (a unit vector).
func demoLight(x, y, z float64) rgb {
	rho := math.Hypot(y, z)
	wall := 1 / max(rho, 1e-9)
	if z < 0 && demoWater/-z < wall {
		return demoBed(x, y, z, demoWater/-z)
	}
	return demoWall(x*wall, y*wall, z*wall, wall)
}

// demoWall is the wall at a point of the pipe, or what is seen beyond its ends.
func demoWall(x, y, z, distance float64) rgb {
	if x > demoOutlet {
		sky := smooth((z/distance + 0.012) * 90)
		return rgb{0.30, 0.42, 0.20}.times(0.9).towards(rgb{0.93, 0.98, 1}, sky)
	}
	if x < -demoDeadEnd {
		return rgb{0.004, 0.004, 0.005}
	}
	along := x + demoOffset
	around := math.Atan2(y, z)/(2*math.Pi) + 0.5 // its seam is under water
	// What a pixel spans along the pipe, in rings: texture below it is faded.
	fade := 1 / (1 + squared(distance*distance*(2*math.Pi/demoWidth)/demoRing)*2)
	colour := demoBrick(along, around, fade)
	stain := fractal(along*1.3+7, around*16, demoSeed+3)
	colour = colour.times(1 - 0.75*fade*smooth((stain-0.52)*5))
	damp := smooth((-z - 0.38 + 0.2*stain) * 7)
	colour = colour.towards(rgb{0.035, 0.065, 0.03}, 0.8*damp)
	return colour.times(demoIllumination(x, distance))
}

// demoBrick is the reflectance of brickwork at x along the pipe and a fraction
// of a turn around it.
func demoBrick(x, around, fade float64) rgb {
	ring := math.Floor(x / demoRing)
	inRing := x/demoRing - ring
	course := around*demoBricks + 0.5*float64(int64(ring)&1)
	brick := math.Floor(course)
	inBrick := course - brick
	// The brick across the seam of the ring is one, whichever end it is met at.
	tone := noise(int64(ring), int64(math.Mod(brick, demoBricks)), demoSeed)
	warm := noise(int64(ring), int64(math.Mod(brick, demoBricks)), demoSeed+1)
	brickColour := rgb{0.34, 0.15 + 0.06*warm, 0.09 + 0.04*warm}.times(0.35 + 1.1*tone)
	mortar := rgb{0.42, 0.39, 0.34}
	edge := min(inRing, 1-inRing, 2.1*min(inBrick, 1-inBrick)*(2*math.Pi/demoBricks)/demoRing/2)
	colour := mortar.towards(brickColour, smooth(edge/demoMortar*1.6))
	mean := rgb{0.31, 0.19, 0.13}
	colour = mean.towards(colour, fade)
	section := math.Abs(x/(demoRing*demoSection) - math.Round(x/(demoRing*demoSection)))
	joint := 1 - smooth(section/demoJoint-0.6)
	colour = colour.towards(rgb{0.02, 0.018, 0.016}, joint*max(fade, 0.3))
	// Lime washed out of a joint, running down both flanks.
	lime := smooth((fractal(around*26, math.Round(x/(demoRing*demoSection))*3.7, demoSeed+5) - 0.58) * 9)
	lime *= math.Exp(-squared(section*6)) * (1 - joint)
	return colour.towards(rgb{0.78, 0.76, 0.68}, 0.85*lime*fade)
}

// demoBed is the water at distance t: the outlet mirrored in ripples over a bed
// of stones.
func demoBed(x, y, z, t float64) rgb {
	px, py := x*t, y*t
	if px > demoOutlet {
		return rgb{0.8, 0.85, 0.86}
	}
	fade := 1 / (1 + squared(t*t*0.12))
	stones := fractal(px*12, py*12, demoSeed+11)
	bed := rgb{0.10, 0.085, 0.05}.times(0.3 + 1.9*smooth((stones-0.3)*2.2))
	bed = rgb{0.1, 0.085, 0.05}.towards(bed, fade)
	ripple := fractal(px*3.1+20, py*11, demoSeed+13) - 0.5
	light := bed.times(demoIllumination(px, t))
	// Schlick's approximation of the Fresnel reflectance of water.
	mirror := 0.02 + 0.98*squared(squared(1+z))*(1+z)
	glint := math.Exp(-squared((y/max(math.Abs(x), 0.05) + 0.5*ripple*fade) * 5))
	if x <= 0 {
		glint = 0
	}
	return light.towards(rgb{0.85, 0.9, 0.92}, min(1, mirror*(0.1+0.9*glint)*smooth(x*3)))
}

// demoIllumination is the light on the wall: the outlet ahead, its falling off
// into the pipe, and the lamps of the crawler.
func demoIllumination(x, distance float64) float64 {
	toOutlet := (demoOutlet - x) / 4
	daylight := 1.6 / (1 + toOutlet*toOutlet)
	return daylight + demoFillLamp/(1+distance*distance*1.5)
}

func squared(v float64) float64 { return v * v }

// smooth is 0 below 0, 1 above 1 and a cubic between.
func smooth(t float64) float64 {
	t = min(max(t, 0), 1)
	return t * t * (3 - 2*t)
}

// noise is a value in [0, 1) fixed for a lattice point and seed: the finaliser
// of a 64-bit mix with odd constants.
func noise(x, y int64, seed uint64) float64 {
	h := uint64(x)*0x9e3779b97f4a7c15 ^ uint64(y)*0xc2b2ae3d27d4eb4f ^ seed*0x165667b19e3779f9
	h ^= h >> 32
	h *= 0xd6e8feb86659fd93
	h ^= h >> 32
	h *= 0xd6e8feb86659fd93
	h ^= h >> 32
	return float64(h>>11) / (1 << 53)
}

// fractal is smooth noise of three octaves, about 0.5.
func fractal(x, y float64, seed uint64) float64 {
	sum, weight := 0.0, 0.55
	for range 3 {
		fx, fy := math.Floor(x), math.Floor(y)
		i, j, tx, ty := int64(fx), int64(fy), smooth(x-fx), smooth(y-fy)
		a, b := noise(i, j, seed), noise(i+1, j, seed)
		c, d := noise(i, j+1, seed), noise(i+1, j+1, seed)
		top, bottom := a+tx*(b-a), c+tx*(d-c)
		sum += weight * (top + ty*(bottom-top))
		x, y, seed, weight = x*2, y*2, seed+101, weight*0.5
	}
	return sum / (0.55 * 1.75)
}

// encodeTable gives the 8-bit sRGB value of linear light.
type encodeTable [4096]uint8

func newEncodeTable() *encodeTable {
	var t encodeTable
	for i := range t {
		t[i] = uint8(math.Round(255 * encodeSRGB(float64(i)/float64(len(t)-1))))
	}
	return &t
}

func (t *encodeTable) at(light float64) uint8 {
	return t[int(min(max(light, 0), 1)*float64(len(t)-1)+0.5)]
}
