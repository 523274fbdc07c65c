package scene

import (
	"fmt"
	"math"

	"facetd.example/chipmodel/bustime"
)

// Scene is the light around the crawler.
type Scene interface {
	// Row fills dst (as long as the lattice has columns) with the light in lux
	// on one row of the view at bus time at (counted from when the bus
	// started; may be negative). It is deterministic, keeps no state, does not
	// allocate and is safe for concurrent use. Entries of dst beyond the
	// lattice, and all of them when the row does not exist, are set to 0.
	Row(dst []float64, v *View, row int, at bustime.Time)
	// Name describes the scene in a few words, for logs and pages.
	Name() string
}

type uniform struct{ lux float64 }

// Uniform is equal brightness in every direction. A lux that is negative or
// not a finite number is darkness.
func Uniform(lux float64) Scene {
	if !isFinite(lux) || lux < 0 {
		lux = 0
	}
	return uniform{lux}
}

func (u uniform) Name() string { return fmt.Sprintf("uniform %g lx", u.lux) }

func (u uniform) Row(dst []float64, v *View, row int, _ bustime.Time) {
	first, n := v.span(dst, row)
	for i := range n {
		dst[i] = u.lux * float64(v.gain[first+i])
	}
}

type flicker struct {
	base           Scene
	mainsHz, depth float64
}

// Flicker is the base scene under lamps on alternating mains: its light is
// multiplied by 1 + depth sin(2 pi 2 mainsHz t). Lamps follow the power, which
// has twice the mains frequency (50 Hz gives 100 Hz light). The depth is
// (max-min)/(max+min), 0 to 1. mainsHz is above 0 and at most 100,000.
func Flicker(base Scene, mainsHz, depth float64) (Scene, error) {
	var c checks
	c.that(base != nil, "base", base, "a scene")
	c.that(mainsHz > 0 && mainsHz <= 1e5, "mainsHz", mainsHz, "above 0 and at most 100000")
	c.within("depth", depth, 0, 1)
	if err := c.err("flicker"); err != nil {
		return nil, err
	}
	return flicker{base, mainsHz, depth}, nil
}

func (f flicker) Name() string {
	return fmt.Sprintf("%s with %g Hz flicker of depth %g", f.base.Name(), 2*f.mainsHz, f.depth)
}

func (f flicker) Row(dst []float64, v *View, row int, at bustime.Time) {
	f.base.Row(dst, v, row, at)
	factor := 1 + f.depth*math.Sin(2*math.Pi*at.Cycles(2*f.mainsHz))
	for i := range dst {
		dst[i] *= factor
	}
}

type step struct {
	before, after Scene
	at            bustime.Time
}

// Step is one scene until bus time at and another from that instant on.
func Step(before, after Scene, at bustime.Time) (Scene, error) {
	var c checks
	c.that(before != nil, "before", before, "a scene")
	c.that(after != nil, "after", after, "a scene")
	if err := c.err("step"); err != nil {
		return nil, err
	}
	return step{before, after, at}, nil
}

func (s step) Name() string {
	return fmt.Sprintf("%s, from %v %s", s.before.Name(), s.at.Elapsed(), s.after.Name())
}

func (s step) Row(dst []float64, v *View, row int, at bustime.Time) {
	if at < s.at {
		s.before.Row(dst, v, row, at)
		return
	}
	s.after.Row(dst, v, row, at)
}
