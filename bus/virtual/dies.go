package virtual

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/die"
	"facetd.example/chipmodel/scene"
)

// dieModel is what the bus needs of a simulated die.
type dieModel interface {
	Write(r facetdv1.Register, value uint16)
	Register(r facetdv1.Register) uint16
	Strobe(s facetdv1.Strobe, at bus.Time, hold time.Duration, light *die.Light)
	// Row gives the volts of pixels of one row, the first at column and columnStep
	// apart, sampled from a bus time on, an interval apart.
	Row(dst []float64, row, column, columnStep int, at bus.Time, interval time.Duration, light *die.Light)
	SetKelvin(kelvin float64)
	// Remember, and then Undo or Forget, are for readouts that may not come to be; see die.Die.
	Remember()
	Undo()
	Forget()
}

// laneModel is what the bus needs of a lane: its converter, and what is left of the previous pixel when the line has
// not settled fully.
type laneModel interface {
	// Residual is the part of a step that is missing after a time, on a line that
	// needs another to settle to half a step.
	Residual(given, needed time.Duration) float64
	Convert(codes []uint16, volts []float64, residual float64)
	// Undo takes back what was converted since Remember.
	Remember()
	Undo()
}

// simulatedChip is one chip on the bus.
type simulatedChip struct {
	die    dieModel
	later  *die.Deferred // the same, where it can do later what is asked of it
	view   *scene.View
	light  *die.Light
	needed time.Duration // for its lane to settle to half a step
	memory bool
	loaded bool
	// loadedAt is the start of the last load.
	loadedAt bus.Time
	// shutter says that the bus can begin an exposure, exposedAt when it did: Never, or before the last select.
	shutter   bool
	exposedAt bus.Time
}

type simulatedLane struct {
	laneModel
	later   *die.Lane // the same, where it can
	highest uint16    // code
	rest    rest
	before  rest // when it was remembered
}

// rest is, with a ground truth, a lane's last conversion and the error of the next one.
type rest struct {
	last       bus.Time
	firstError float64
}

// simulated makes the dies and lanes that a bus has.
var simulated = makers{
	die:  func(a *chipmodel.Array, chip int, seed uint64) dieModel { return die.New(a, chip, seed) },
	lane: func(a *chipmodel.Array, lane int, seed uint64) laneModel { return die.NewLane(a, lane, seed) },
}

// makers make the dies and lanes of an array; tests put in others.
type makers struct {
	die  func(a *chipmodel.Array, chip int, seed uint64) dieModel
	lane func(a *chipmodel.Array, lane int, seed uint64) laneModel
}

// makeDies makes every chip with its view of the scene, and every lane.
func (b *Bus) makeDies(m makers) {
	b.chips = make([]simulatedChip, len(b.array.Chips))
	widest := 0
	for i := range b.array.Chips {
		chip := &b.real.Chips[i]
		widest = max(widest, chip.Class.Columns)
		b.chips[i] = simulatedChip{
			die:    m.die(b.real, i, b.cfg.Seed),
			needed: b.real.LaneSettle(i),
			memory: chip.Class.HasMemory(), shutter: chip.Class.HasShutter(), exposedAt: bustime.Never,
			view: scene.NewView(chip.Camera()),
		}
	}
	b.setLight()
	b.volts = make([]float64, widest)
	b.lanes = make([]simulatedLane, len(b.array.Lanes))
	for i := range b.lanes {
		b.lanes[i] = simulatedLane{laneModel: m.lane(b.real, i, b.cfg.Seed),
			highest: uint16(1)<<b.array.Lanes[i].Bits - 1}
	}
}

// setLight makes the light of every chip from the scene. Chips under one lamp share what it takes to follow it.
func (b *Bus) setLight() {
	light := scene.Remembering(scene.Sequence(b.lights.active))
	lags := map[analog.Lamp]*analog.LogLag{} // of the lamps that there are now: making one may take some milliseconds
	for i := range b.chips {
		chip := &b.chips[i]
		course := scene.CourseOf(light, chip.view)
		lag := lags[course.Lamp]
		if lag == nil {
			if lag = b.lights.lags[course.Lamp]; lag == nil {
				lag = analog.NewLogLag(course.Lamp)
			}
			lags[course.Lamp] = lag
		}
		chip.light = &die.Light{Every: course.Every, Jumps: course.Jumps, Lag: lag,
			Row: func(dst []float64, row int, at bus.Time) { course.Mean.Row(dst, chip.view, row, at) }}
		if sweep := scene.SweepOf(course.Mean, chip.view); sweep != nil {
			chip.light.Sweep = func(dst []float64, row, first, last int, from, to bus.Time) {
				sweep(dst, row, scene.Sweep{First: first, Last: last, From: from, To: to})
			}
		}
	}
	b.lights.lags = lags
}
