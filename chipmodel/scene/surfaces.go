package scene

import (
	"math"

	"facetd.example/chipmodel/bustime"
)

// Surfaces are what stands in the way in a panorama: a wall across the pipe, and balls. They are painted with a pattern
// of gratings through space, whose mean over any footprint is known exactly, so that they stay sharp however near.
type Surfaces struct {
	// EndM is where a wall across the way ahead is, in metres from where the picture was taken; Ends says that there is
	// one. From behind it is not seen.
	Ends bool
	EndM float64
	// Balls are obstacles.
	Balls []Ball
}

// Ball is an obstacle: where its middle is, as a pose has it, and its radius, in metres.
type Ball struct{ ForwardM, LeftM, UpM, RadiusM float64 }

// MaxBalls limits the obstacles of a scene, each of which costs time at every pixel.
const MaxBalls = 16

func (s Surfaces) check(c *checks) {
	const most = 1e6
	if s.Ends {
		c.within("EndM", s.EndM, -most, most)
	}
	c.that(len(s.Balls) <= MaxBalls, "Balls", len(s.Balls), "at most 16")
	for _, b := range s.Balls {
		c.within("Balls.ForwardM", b.ForwardM, -most, most)
		c.within("Balls.LeftM", b.LeftM, -most, most)
		c.within("Balls.UpM", b.UpM, -most, most)
		c.within("Balls.RadiusM", b.RadiusM, 1e-3, most)
	}
}

// none reports whether nothing stands in the way.
func (s Surfaces) none() bool { return !s.Ends && len(s.Balls) == 0 }

// The pattern of surfaces.
const (
	waves       = 24    // gratings
	finestWave  = 0.012 // m
	widestWave  = 0.3
	waveShare   = 0.30 // of the light of a scene, from low to high, that a surface has in the mean
	waveDepth   = 0.30 // of one grating against the mean
	patternSeed = 977
)

// wave is one grating through space.
type wave struct {
	k     vector // radians a metre
	phase float64
}

type vector [3]float64

func (a vector) dot(b vector) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
func (a vector) plus(b vector, s float64) vector {
	return vector{a[0] + s*b[0], a[1] + s*b[1], a[2] + s*b[2]}
}

// patternOf makes the gratings: wavelengths in equal ratios, in directions spread over the sphere.
func patternOf() []wave {
	out := make([]wave, waves)
	for i := range out {
		part := float64(i) / (waves - 1)
		size := 2 * math.Pi / (finestWave * math.Pow(widestWave/finestWave, part))
		// A spiral over the sphere that turns by the golden angle spreads directions evenly.
		z := 1 - 2*(float64(i*7%waves)+0.5)/waves
		sin, cos := math.Sincos(float64(i) * math.Pi * (3 - math.Sqrt(5)))
		aside := math.Sqrt(1 - z*z)
		out[i] = wave{vector{size * aside * cos, size * aside * sin, size * z},
			2 * math.Pi * noise(int64(i), 0, patternSeed)}
	}
	return out
}

// hit is where a ray meets a surface.
type hit struct {
	distance float64 // m, along a ray of length 1; infinite where nothing is met
	normal   vector  // of the surface, of length 1
	end      bool    // it is a surface of Surfaces, and not the wall of the pipe
}

// meets finds what a ray of length 1 from a place in the frame of the picture meets first: a surface, or the wall of
// the pipe.
func (s Surfaces) meets(from, ray vector, pipe float64) hit {
	first := hit{distance: math.Inf(1)}
	if pipe > 0 {
		first = pipeHit(from, ray, pipe)
	}
	if s.Ends && ray[0] > 0 {
		if t := (s.EndM - from[0]) / ray[0]; t > 0 && t < first.distance {
			first = hit{t, vector{-1, 0, 0}, true}
		}
	}
	for _, b := range s.Balls {
		off := from.plus(vector{b.ForwardM, b.LeftM, b.UpM}, -1)
		along, over := off.dot(ray), off.dot(off)-b.RadiusM*b.RadiusM
		if over <= 0 || along >= 0 || along*along < over {
			continue // within it, behind, or beside
		}
		t := -along - math.Sqrt(along*along-over)
		if t > 0 && t < first.distance {
			at := off.plus(ray, t)
			first = hit{t, vector{at[0] / b.RadiusM, at[1] / b.RadiusM, at[2] / b.RadiusM}, true}
		}
	}
	return first
}

// pipeHit is where a ray from within a pipe of a radius meets its wall.
func pipeHit(from, ray vector, radius float64) hit {
	a := ray[1]*ray[1] + ray[2]*ray[2]
	b := from[1]*ray[1] + from[2]*ray[2]
	c := from[1]*from[1] + from[2]*from[2] - radius*radius
	if a < 1e-18 || c > 0 {
		return hit{distance: math.Inf(1)}
	}
	t := (-b + math.Sqrt(b*b-a*c)) / a
	at := from.plus(ray, t)
	return hit{t, vector{0, -at[1] / radius, -at[2] / radius}, false}
}

// light is the pattern where a ray meets a surface, relative to its mean, averaged over a footprint of a variance in
// steradians along each axis. A ray that is turned by a small vector e across it meets the surface at
// distance (e - ray (n.e)/(n.ray)) from there, so that the phase of a grating k changes by distance (k - n (k.ray)/
// (n.ray)) . e; over a Gaussian of e the mean of a cosine is exp(-var/2) of it.
func (h hit) light(from, ray vector, pattern []wave, variance float64) float64 {
	at := from.plus(ray, h.distance)
	slant := h.normal.dot(ray)
	sum := 1.0
	for i := range pattern {
		w := &pattern[i]
		along := w.k.dot(ray)
		turn := w.k.plus(h.normal, -along/slant)
		turn = turn.plus(ray, -turn.dot(ray))
		spread := h.distance * h.distance * turn.dot(turn) * variance
		if spread > 60 {
			continue
		}
		sum += waveDepth * math.Cos(w.k.dot(at)+w.phase) * math.Exp(-spread/2)
	}
	return max(sum, 0.02)
}

// lit is how brightly the lamp in the middle of the body lights a place, against the wall of the pipe beside it.
func (h hit) lit(from, ray, lamp vector, pipe float64) float64 {
	if pipe == 0 {
		return 1
	}
	off := from.plus(ray, h.distance).plus(lamp, -1)
	d := math.Sqrt(off.dot(off))
	if d == 0 {
		return 1
	}
	return min(max(-off.dot(h.normal)/d, 0)*pipe*pipe/(d*d), 100)
}

// cover puts the surfaces before a row of the picture.
func (p *panorama) cover(dst []float64, v *View, first int, at bustime.Time) {
	pose := p.opts.Motion.At(at)
	turn := attitudeOf(pose)
	px, py, pz := v.camera.Place()
	x, y, z := turn.Apply(px, py, pz)
	lamp := vector{pose.ForwardM, pose.LeftM, pose.UpM}
	from := lamp.plus(vector{x, y, z}, 1)
	mean := p.opts.LuxLow + waveShare*(p.opts.LuxHigh-p.opts.LuxLow)
	rays, gain := v.viewRow(first, len(dst))
	for i := range rays {
		r := &rays[i]
		x, y, z := turn.Apply(float64(r.x), float64(r.y), float64(r.z))
		ray := vector{x, y, z}
		h := p.opts.Surfaces.meets(from, ray, p.opts.Motion.PipeRadiusM)
		if !h.end {
			continue
		}
		light := mean * h.light(from, ray, p.pattern, float64(r.footprint)/12)
		if p.opts.LampShare > 0 {
			light *= 1 + p.opts.LampShare*(h.lit(from, ray, lamp, p.opts.Motion.PipeRadiusM)-1)
		}
		dst[i] = light * float64(gain[i])
	}
}
