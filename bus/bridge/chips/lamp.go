package chips

import (
	"sync/atomic"

	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/die"
	"facetd.example/chipmodel/scene"
)

// Lamp is the light on chips, which may change while they are on. Its methods may be called from any goroutine.
type Lamp struct{ light atomic.Pointer[scene.Scene] }

// NewLamp makes a lamp that is on.
func NewLamp(s scene.Scene) *Lamp {
	var l Lamp
	l.Set(s)
	return &l
}

// Set changes the light: from the next time on that something happens at the pins of chips.
func (l *Lamp) Set(s scene.Scene) { l.light.Store(&s) }

// keptLights is how many scenes are remembered: pixels in the dark follow the light for seconds.
const keptLights = 16

// light puts the chips under what the lamp gives from a time on. Chips under one light share what it takes to follow
// it.
func (s *Chips) light(at bustime.Time) {
	s.lit = s.cfg.Lamp.light.Load()
	s.lights = append(s.lights, scene.Since{Scene: *s.lit, At: at})
	s.lights = s.lights[max(0, len(s.lights)-keptLights):]
	light := scene.Remembering(scene.Sequence(s.lights))
	lags := map[analog.Lamp]*analog.LogLag{} // making one may take some milliseconds
	for i := range s.chips {
		view := scene.NewView(s.array.Chips[i].Camera())
		course := scene.CourseOf(light, view)
		if lags[course.Lamp] == nil {
			if lags[course.Lamp] = s.lags[course.Lamp]; lags[course.Lamp] == nil {
				lags[course.Lamp] = analog.NewLogLag(course.Lamp)
			}
		}
		l := &die.Light{Every: course.Every, Jumps: course.Jumps, Lag: lags[course.Lamp],
			Row: func(dst []float64, row int, at bustime.Time) { course.Mean.Row(dst, view, row, at) }}
		if sweep := scene.SweepOf(course.Mean, view); sweep != nil {
			l.Sweep = func(dst []float64, row, first, last int, from, to bustime.Time) {
				sweep(dst, row, scene.Sweep{First: first, Last: last, From: from, To: to})
			}
		}
		s.chips[i].light = l
	}
	s.lags = lags
}
