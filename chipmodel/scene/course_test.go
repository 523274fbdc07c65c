package scene

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// TestCourse: a scene taken apart is the scene: mean light times the lamp, at any time; and the jumps are where it
// says.
func TestCourse(t *testing.T) {
	view := mustView(t, Lattice{Rows: 4, Columns: 6, PitchXUm: 10, PitchYUm: 10},
		Optics{HorizontalFOVDeg: 40, VerticalFOVDeg: 30})
	must := mustScene(t)
	turning := must(Panorama(demoPicture(), PanoramaOptions{LuxHigh: 500, Motion: Motion{YawRateDegPerS: 30}}))
	lit := must(Flicker(turning, 50, 0.3))
	drifting := must(Grating(GratingOptions{MeanLux: 20, Contrast: 0.5, CyclesPerPixel: 0.1, DriftHz: 3}))
	scenes := map[string]struct {
		scene Scene
		lamp  analog.Lamp
		jumps []bustime.Time
		every time.Duration // at most
	}{
		"still":   {Uniform(7), analog.Lamp{}, nil, 0},
		"lamp":    {must(Flicker(Uniform(7), 60, 0.2)), analog.Lamp{Hz: 120, Depth: 0.2}, nil, 0},
		"turning": {turning, analog.Lamp{}, nil, time.Second},
		"lit":     {lit, analog.Lamp{Hz: 100, Depth: 0.3}, nil, time.Second},
		"grating": {drifting, analog.Lamp{}, nil, time.Second / 120},
		"lamps":   {must(Flicker(lit, 60, 0.1)), analog.Lamp{Hz: 120, Depth: 0.1}, nil, time.Second / 4000},
		"step":    {must(Step(Uniform(1), Uniform(3), 5e7)), analog.Lamp{}, []bustime.Time{5e7}, 0},
		"step in light": {must(Flicker(must(Step(Uniform(1), Uniform(3), 5e7)), 50, 0.3)),
			analog.Lamp{Hz: 100, Depth: 0.3}, []bustime.Time{5e7}, 0},
		"light in step": {must(Step(lit, must(Flicker(Uniform(3), 50, 0.3)), 5e7)), analog.Lamp{Hz: 100, Depth: 0.3},
			[]bustime.Time{5e7}, time.Second},
		"to a lamp": {must(Step(Uniform(2), lit, 5e7)), analog.Lamp{}, []bustime.Time{5e7}, time.Second / 4000},
		"steps": {must(Step(must(Step(Uniform(1), Uniform(2), 9e7)), must(Step(Uniform(3), Uniform(4), 7e7)), 5e7)),
			analog.Lamp{}, []bustime.Time{5e7, 7e7}, 0},
	}
	for name, s := range scenes {
		c := CourseOf(s.scene, view)
		if c.Lamp != s.lamp || !slices.Equal(c.Jumps, s.jumps) || c.Every > s.every ||
			(c.Every == 0) != (s.every == 0) {
			t.Errorf("%s: lamp %+v, jumps %v, every %v", name, c.Lamp, c.Jumps, c.Every)
		}
		var whole, mean [6]float64
		for range 200 {
			at := bustime.Time(rand.Int64N(2e8))
			s.scene.Row(whole[:], view, 2, at)
			c.Mean.Row(mean[:], view, 2, at)
			for i := range whole {
				if got := mean[i] * c.Lamp.Factor(at.Cycles(c.Lamp.Hz)); math.Abs(got-whole[i]) > 1e-9*whole[i] {
					t.Fatalf("%s at %v: %g lux, want %g", name, at, got, whole[i])
				}
			}
		}
	}
}

// TestLooksAreCloseEnough: between two looks as far apart as a course says, light moves evenly to within a few parts in
// a hundred of its range on a row.
func TestLooksAreCloseEnough(t *testing.T) {
	l := Lattice{Rows: 24, Columns: 32, PitchXUm: 10, PitchYUm: 10}
	o := Optics{HorizontalFOVDeg: 70, VerticalFOVDeg: 50, PitchDeg: -20}
	middle := mustView(t, l, o)
	o.XM, o.YM, o.ZM = 0.1, 0.05, -0.15
	aside := mustView(t, l, o)
	for name, m := range map[string]Motion{"turning": {YawRateDegPerS: 50},
		"moving":          {ForwardMPerS: 0.6, PipeRadiusM: 0.3},
		"moving, aside":   {ForwardMPerS: 0.6, PipeRadiusM: 0.3},
		"swinging, aside": {YawSwingDeg: 20, YawSwingHz: 2, PipeRadiusM: 0.3},
		"swinging":        {YawSwingDeg: 20, YawSwingHz: 2, RollRateDegPerS: 10}} {
		view := middle
		if strings.HasSuffix(name, "aside") {
			view = aside
		}
		s := mustScene(t)(Panorama(demoPicture(), PanoramaOptions{LuxHigh: 500, Motion: m}))
		every := CourseOf(s, view).Every
		var a, middle, b [32]float64
		worst, spread := 0.0, 0.0
		for k := range 40 {
			at := bustime.Time(int64(k) * 31e6)
			for row := range 24 {
				s.Row(a[:], view, row, at)
				s.Row(middle[:], view, row, at.Add(every/2))
				s.Row(b[:], view, row, at.Add(every))
				for i := range a {
					worst = max(worst, math.Abs(middle[i]-(a[i]+b[i])/2))
				}
				spread = max(spread, slices.Max(a[:])-slices.Min(a[:]))
			}
		}
		if worst > 0.06*spread || worst == 0 {
			t.Errorf("%s: between looks %v apart the light is off by %g lux of %g", name, every, worst, spread)
		}
	}
}
