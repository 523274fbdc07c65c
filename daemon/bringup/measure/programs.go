// Package measure knows what the steps of a bring-up need of the bus, and what their
// captures mean: settling and hold times, the trim of amplifiers, the order of pixels,
// the skew of loads; and how to write what follows into the array file.
//
// Programs sample lanes (Levels) and claim nothing of frames. The inspector judges
// them like all others; a sample that brings its own settling time may be taken before the
// lane has settled, since that is what is measured. Every program begins and ends with
// no line active and no output enabled, and drives a lane with one chip at a time.
package measure

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Programs makes the programs of an array.
type Programs struct {
	a *chipmodel.Array
	// settle is what measurements say that chips need; 0 where none was made.
	settle []time.Duration
}

// NewPrograms returns programs for an array.
func NewPrograms(a *chipmodel.Array) *Programs {
	return &Programs{a: a, settle: make([]time.Duration, len(a.Chips))}
}

// Settled notes the settling time measured of a chip, which later samples allow for.
func (p *Programs) Settled(chip int, d time.Duration) { p.settle[chip] = d }

// Settle is the time that samples of a chip give its lane: what the description says, or
// a quarter more than what was measured where that is longer.
func (p *Programs) Settle(chip int) time.Duration {
	return max(p.a.LaneSettle(chip), p.settle[chip]+p.settle[chip]/4)
}

// Pixel is a place on a lattice.
type Pixel struct{ Row, Column int }

// Point is the window of one pixel.
func (px Pixel) Point() chipmodel.Window {
	return chipmodel.Window{Row: px.Row, Column: px.Column, Rows: 1, Columns: 1, RowStep: 1, ColumnStep: 1}
}

// Whole is the window of a whole lattice.
func Whole(c *chipmodel.Class) chipmodel.Window {
	return chipmodel.Window{Rows: c.Rows, Columns: c.Columns, RowStep: 1, ColumnStep: 1}
}

// Spread is a window of at most n pixels. Where chips are addressed they are spread
// over the lattice; where every pixel passed costs time they are the first ones.
func Spread(c *chipmodel.Class, n int) chipmodel.Window {
	w := Whole(c)
	if c.Counts() {
		w.Columns = min(w.Columns, n)
		w.Rows = max(min(w.Rows, n/w.Columns), 1)
		return w
	}
	for w.Pixels() > n && (w.Rows > 1 || w.Columns > 1) {
		if w.Rows >= w.Columns {
			w.RowStep *= 2
			w.Rows = (c.Rows + w.RowStep - 1) / w.RowStep
		} else {
			w.ColumnStep *= 2
			w.Columns = (c.Columns + w.ColumnStep - 1) / w.ColumnStep
		}
	}
	return w
}

// program gathers operations, with frames numbered in the order of the samples.
type program struct {
	*bus.Builder
	p      *Programs
	frames int
}

func (p *Programs) program() *program { return &program{Builder: bus.NewBuilder(p.a), p: p} }

// sample reads levels at the pace of a chip and returns the number of its frame. A
// settle of 0 gives the time that the chip needs.
func (g *program) sample(chip int, w chipmodel.Window, settle time.Duration) int {
	if settle == 0 {
		settle = g.p.Settle(chip)
	}
	g.Read(bus.Scan{
		Levels: true, Chips: []int{chip}, Frames: []int{g.frames}, Window: w, Settle: min(settle, time.Second),
	})
	g.frames++
	return g.frames - 1
}

// alone is a program in which one chip drives its lane. Chips of other lanes that
// cannot be told apart from it may drive theirs; none of its own can.
func (p *Programs) alone(chip int, body func(g *program, reached []int)) []bus.Op {
	g := p.program()
	g.alone(chip, body)
	return g.Take()
}

func (g *program) alone(chip int, body func(g *program, reached []int)) {
	word := g.p.a.Chips[chip].Wires
	reached := g.p.a.Reach(word)
	g.Select(word)
	g.Do(bus.Write(chipmodel.OutputEnable, 1), reached)
	body(g, reached)
	g.Do(bus.Write(chipmodel.OutputEnable, 0), reached)
	g.Select(0)
}

// ready loads a memory and resets a counter.
func (g *program) ready(chip int, reached []int) {
	if g.p.a.Chips[chip].Class.HasMemory() {
		g.Do(bus.Strobe(chipmodel.Load), reached)
	}
	g.rewind(chip, reached)
}

// rewind resets a counter.
func (g *program) rewind(chip int, reached []int) {
	if g.p.a.Chips[chip].Class.Counts() {
		g.Do(bus.Strobe(chipmodel.Reset), reached)
	}
}

// Idle samples a lane n times while it is undriven, after a rest. ok is false for a
// lane without chips.
func (p *Programs) Idle(lane int, rest time.Duration, n int) (ops []bus.Op, ok bool) {
	chips := p.a.Lanes[lane].Chips
	if len(chips) == 0 {
		return nil, false
	}
	pace := chips[0]
	for _, c := range chips {
		if p.a.Chips[pace].Class.Counts() {
			pace = c
		}
	}
	g := p.program()
	g.Select(0)
	g.Wait(max(rest, p.discharge(lane)))
	g.sample(pace, Spread(p.a.Chips[pace].Class, n), 0)
	g.Select(0)
	return g.Take(), true
}

// discharge is after how long without a driver a lane shows its idle level, whichever chip drove it.
func (p *Programs) discharge(lane int) time.Duration {
	slowest := time.Duration(0)
	for _, c := range p.a.Lanes[lane].Chips {
		slowest = max(slowest, p.Settle(c))
	}
	return slowest + chipmodel.LaneDischarge
}

// BesideIdle samples a chip's lane while it is undriven, and right after it a window of the chip n times: the first
// capture is the idle lane, at the pace of the chip.
func (p *Programs) BesideIdle(chip int, w chipmodel.Window, n int) []bus.Op {
	g := p.program()
	g.Select(0)
	g.Wait(p.discharge(p.a.Chips[chip].Lane))
	g.sample(chip, w, 0)
	g.alone(chip, func(g *program, reached []int) {
		for range n {
			g.ready(chip, reached)
			g.sample(chip, w, 0)
		}
	})
	return g.Take()
}

// Frame reads a window of one chip n times, each after a load or reset, gap apart.
func (p *Programs) Frame(chip int, w chipmodel.Window, n int, gap time.Duration) []bus.Op {
	return p.alone(chip, func(g *program, reached []int) {
		for i := range n {
			if i > 0 {
				g.Wait(gap)
			}
			g.ready(chip, reached)
			g.sample(chip, w, 0)
		}
	})
}

// Trimmed reads a window of a chip with a setting of those registers that it has, and
// puts back their values of power-on.
func (p *Programs) Trimmed(chip int, s Trim, w chipmodel.Window) []bus.Op {
	class := p.a.Chips[chip].Class
	return p.alone(chip, func(g *program, reached []int) {
		set := func(r facetdv1.Register, value uint16) {
			if class.HasRegister(r) {
				g.Do(bus.Write(r, value), reached)
			}
		}
		set(chipmodel.Gain, uint16(s.Gain))
		set(chipmodel.Offset, uint16(uint8(int8(s.Offset))))
		set(chipmodel.PixelBias, uint16(s.PixelBias))
		g.ready(chip, reached)
		g.sample(chip, w, 0)
		for _, r := range []facetdv1.Register{chipmodel.Gain, chipmodel.Offset, chipmodel.PixelBias} {
			set(r, class.PowerOn(r))
		}
	})
}

// Hold loads a memory chip once and reads it n times, gap apart: readout does not
// disturb the cells, so that noise of the load is the same in all.
func (p *Programs) Hold(chip int, w chipmodel.Window, n int, gap time.Duration) []bus.Op {
	return p.alone(chip, func(g *program, reached []int) {
		g.ready(chip, reached)
		for i := range n {
			if i > 0 {
				g.Wait(gap)
				g.rewind(chip, reached)
			}
			g.sample(chip, w, 0)
		}
	})
}

// Together loads chips under one word and reads a few pixels of each, one after the
// other; each read has the chip's place in the list as its frame.
func (p *Programs) Together(chips []int, n int) []bus.Op {
	g := p.program()
	var word chipmodel.LineSet
	for _, c := range chips {
		word |= p.a.Chips[c].Wires
	}
	g.Select(word)
	g.Do(bus.Strobe(chipmodel.Load), p.a.Reach(word))
	for _, c := range chips {
		reached := p.a.Reach(p.a.Chips[c].Wires)
		g.Select(p.a.Chips[c].Wires)
		g.Do(bus.Write(chipmodel.OutputEnable, 1), reached)
		g.rewind(c, reached)
		g.sample(c, Spread(p.a.Chips[c].Class, n), 0)
		g.Do(bus.Write(chipmodel.OutputEnable, 0), reached)
	}
	g.Select(0)
	return g.Take()
}
