package scene

import (
	"math"
	"time"

	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// Course is how the light of a scene goes on in time: what pixels that follow it need to know beside its value at some
// times.
type Course struct {
	// Mean is the scene without its lamp.
	Mean Scene
	Lamp analog.Lamp
	// Every is how far apart two looks may be for the light to move evenly in between: half a pixel's motion, a
	// fortieth of the period of a lamp that is not apart; 0 for light that stays.
	Every time.Duration
	// Jumps are the rising times at which the light becomes another at once.
	Jumps []bustime.Time
}

// CourseOf takes a scene apart as one chip sees it. Of a scene that is not from this package it is taken that it moves
// evenly over a millisecond.
func CourseOf(s Scene, v *View) Course {
	if f, ok := s.(flicker); ok {
		inner := CourseOf(f.base, v)
		if inner.Lamp.Steady() {
			inner.Lamp = analog.Lamp{Hz: 2 * f.mainsHz, Depth: f.depth}
			return inner
		}
		// Lamps over lamps: the outer one apart, since either would do.
		return Course{f.base, analog.Lamp{Hz: 2 * f.mainsHz, Depth: f.depth},
			sooner(inner.Every, resolving(inner.Lamp)), inner.Jumps}
	}
	if st, ok := s.(step); ok {
		return st.course(v)
	}
	if sq, ok := s.(sequence); ok {
		return sq.course(v)
	}
	return Course{Mean: s, Every: evenly(s, v)}
}

// course keeps the lamp apart where it is one before and after.
func (s step) course(v *View) Course {
	a, b := CourseOf(s.before, v), CourseOf(s.after, v)
	c := Course{Mean: s, Every: sooner(a.Every, b.Every)}
	if a.Lamp == b.Lamp {
		c.Mean, c.Lamp = step{a.Mean, b.Mean, s.at}, a.Lamp
	} else {
		c.Every = sooner(c.Every, sooner(resolving(a.Lamp), resolving(b.Lamp)))
	}
	for _, at := range a.Jumps {
		if at < s.at {
			c.Jumps = append(c.Jumps, at)
		}
	}
	c.Jumps = append(c.Jumps, s.at)
	for _, at := range b.Jumps {
		if at > s.at {
			c.Jumps = append(c.Jumps, at)
		}
	}
	return c
}

// resolving is how far apart the looks are that see a lamp.
func resolving(l analog.Lamp) time.Duration {
	if l.Steady() {
		return 0
	}
	return max(time.Duration(1e9/(40*l.Hz)), 1)
}

// sooner is the lesser of two times of which 0 means never.
func sooner(a, b time.Duration) time.Duration {
	if a == 0 || b == 0 {
		return max(a, b)
	}
	return min(a, b)
}

// evenly is how long a picture takes to move by half a pixel.
func evenly(s Scene, v *View) time.Duration {
	switch s := s.(type) {
	case uniform:
		return 0
	case grating:
		if s.DriftHz == 0 || s.Contrast == 0 || s.MeanLux == 0 {
			return 0
		}
		return resolving(analog.Lamp{Hz: math.Abs(s.DriftHz), Depth: 1})
	case *panorama:
		if s.still {
			return 0
		}
		seconds := v.sharpest() / 2 / s.opts.Motion.fastest(v)
		if s.pattern != nil {
			seconds = min(seconds, 1e-3) // what is near moves faster, and what stands before another hides it
		}
		return time.Duration(min(max(seconds, 1e-9), 1e3) * 1e9)
	}
	return time.Millisecond
}

// sharpest is the least angle between neighbouring pixels, in radians.
func (v *View) sharpest() float64 {
	least := math.Pi
	apart := func(i, j int) {
		a, b := v.rays[i], v.rays[j]
		least = min(least, math.Sqrt(float64((a.x-b.x)*(a.x-b.x)+(a.y-b.y)*(a.y-b.y)+(a.z-b.z)*(a.z-b.z))))
	}
	columns := v.lattice.Columns
	for i := range v.rays {
		if i%columns > 0 {
			apart(i, i-1)
		}
		if i >= columns {
			apart(i, i-columns)
		}
	}
	return max(least, 1e-9)
}

// fastest bounds how fast what a camera sees can move, in radians a second: all turns at once, and the nearest wall,
// along which a camera aside of the middle of the body is carried by the turns too.
func (m Motion) fastest(v *View) float64 {
	sum := math.Abs(m.YawRateDegPerS) + math.Abs(m.PitchRateDegPerS) + math.Abs(m.RollRateDegPerS) +
		math.Abs(m.YawSwingDeg)*2*math.Pi*math.Abs(m.YawSwingHz)
	rate := sum * (math.Pi / 180)
	if m.PipeRadiusM > 0 {
		arm := v.arm()
		speed := math.Abs(m.ForwardMPerS) + math.Hypot(m.LeftMPerS, m.UpMPerS) + arm*rate
		if gap := m.PipeRadiusM - arm - math.Hypot(m.LeftM, m.UpM); speed > 0 && gap > 0 {
			rate += speed / gap
		}
	}
	return max(rate, 1e-12)
}
