package diagnosis

import (
	"fmt"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Programs compiles experiments to bus operations, each program an on-demand segment
// of its own, and reads what came back. After each program no output is enabled and
// no line is active.
//
// Lanes are observed by scans that claim nothing about the chips they name: those only set the pace. What decides is
// how far a lane is from its idle level, at several pixels spread over the lattice, so that one dark or bright spot
// does not decide alone. A chip whose whole signal lies at the idle level still looks like one that does not drive.
type Programs struct {
	m *Model
	// pace is the chip that sets the pace of the scans of each lane, settle the time
	// that the slowest of its chips needs.
	pace   []int
	settle []time.Duration
	// discharge is how long an idle lane needs to fall back to its idle level.
	discharge time.Duration
}

// NewPrograms returns a compiler for the array of a model. discharge is how long a
// lane that is no longer driven takes to come back to its idle level; it depends
// on the board.
func NewPrograms(m *Model, discharge time.Duration) *Programs {
	p := &Programs{m: m, discharge: discharge, pace: make([]int, len(m.a.Lanes)),
		settle: make([]time.Duration, len(m.a.Lanes))}
	for lane := range m.a.Lanes {
		chips := m.a.Lanes[lane].Chips
		p.pace[lane] = -1
		for _, c := range chips {
			p.settle[lane] = max(p.settle[lane], m.a.LaneSettle(c))
			best := p.pace[lane]
			// Addressed chips read any pixel in the same time, counter chips only the first ones quickly. Of equals the
			// slowest is taken, whose pace suits the others too.
			if best < 0 || m.counts(best) && !m.counts(c) ||
				m.counts(best) == m.counts(c) && m.a.LaneSettle(c) > m.a.LaneSettle(best) {
				p.pace[lane] = c
			}
		}
	}
	return p
}

func (m *Model) counts(chip int) bool { return m.a.Chips[chip].Class.Counts() }

// PrepareEvery is the bus time after which chips are prepared again: well below the time in which small analog memories
// fade.
const PrepareEvery = 100 * time.Millisecond

// Prepare disables every output and gives every chip something to drive with: memory chips load, counters are reset.
// enabled are the chips whose outputs may be enabled; they are disabled first, one by one. That is safe on a fault-free
// array. With a fault nothing is, while two chips of a lane are enabled; after power-on none is.
//
// A memory fades, and an empty one may look like an undriven lane: hence PrepareEvery.
func (p *Programs) Prepare(enabled []int) []bus.Op {
	a := p.m.a
	b := bus.NewBuilder(a)
	for _, c := range enabled {
		b.Select(p.m.wires[c])
		b.Do(bus.Write(chipmodel.OutputEnable, 0), a.Reach(p.m.wires[c]))
	}
	all := a.All()
	b.Select(p.m.every)
	b.Do(bus.Write(chipmodel.OutputEnable, 0), all)
	memory, counter := false, false
	for _, c := range a.Classes {
		memory = memory || c.HasMemory()
		counter = counter || c.Counts()
	}
	if memory {
		b.Do(bus.Strobe(chipmodel.Load), all)
	}
	if counter {
		b.Do(bus.Strobe(chipmodel.Reset), all)
	}
	b.Select(0)
	return b.Take()
}

// Compile returns the program of an experiment: all lanes idle, the enabling write,
// the readouts, and every output disabled again.
//
// Selecting all lines reaches every chip that listens under any word, faults or not, so the last write disables
// whatever the first enabled. Where the first may have enabled two chips of a lane, they are disabled under the words
// of the readouts before that, one after the other.
func (p *Programs) Compile(e Experiment) []bus.Op {
	a := p.m.a
	b := bus.NewBuilder(a)
	b.Select(0)
	p.readout(b, 0)
	b.Select(e.Enable)
	b.Do(bus.Write(chipmodel.OutputEnable, 1), a.Reach(e.Enable))
	for i, w := range e.Readouts {
		if w != e.Enable || i > 0 {
			b.Select(w)
		}
		p.readout(b, i+1)
	}
	words := []chipmodel.LineSet{p.m.every}
	if len(e.Risks) > 0 {
		words = append(append(words[:0:0], e.Readouts...), p.m.every)
	}
	for _, w := range words {
		b.Select(w)
		b.Do(bus.Write(chipmodel.OutputEnable, 0), a.Reach(w))
	}
	b.Select(0)
	return b.Take()
}

// readout reads every lane; readout 0 is the idle one. Frames number readouts and lanes.
func (p *Programs) readout(b *bus.Builder, number int) {
	for lane, chip := range p.pace {
		if chip < 0 {
			continue
		}
		b.Wait(p.settle[lane] + p.discharge)
		b.Read(bus.Scan{
			Levels: true, Chips: []int{chip}, Frames: []int{number*len(p.pace) + lane}, Window: p.window(chip),
		})
	}
}

// window is a few pixels: spread over the lattice where chips are addressed, the first ones where a counter has to pass
// every pixel on the way.
func (p *Programs) window(chip int) chipmodel.Window {
	class := p.m.a.Chips[chip].Class
	if class.Counts() {
		return chipmodel.Window{Rows: 1, Columns: min(8, class.Columns), RowStep: 1, ColumnStep: 1}
	}
	w := chipmodel.Window{Rows: min(3, class.Rows), Columns: min(4, class.Columns)}
	w.RowStep, w.ColumnStep = class.Rows/w.Rows, class.Columns/w.Columns
	w.Row, w.Column = w.RowStep/2, w.ColumnStep/2
	return w
}

// LaneIdle is the level of an undriven lane, in codes.
type LaneIdle struct {
	Mean float64
	// Spread is the largest distance from the mean.
	Spread float64
	// Full says that every code was the highest.
	Full bool
}

// Read returns what each readout of an experiment showed, and the idle levels measured
// with it. A missing capture is an error.
func (p *Programs) Read(e Experiment, captures []bus.Capture) ([]Observation, []LaneIdle, error) {
	lanes := len(p.pace)
	byFrame := make([][]uint16, (len(e.Readouts)+1)*lanes)
	for i := range captures {
		if f := captures[i].Frame; f >= 0 && f < len(byFrame) {
			byFrame[f] = captures[i].Codes
		}
	}
	readouts := make([]Observation, len(e.Readouts))
	for i := range readouts {
		readouts[i] = make(Observation, lanes)
	}
	idle := make([]LaneIdle, lanes)
	for lane := range lanes {
		if p.pace[lane] < 0 {
			continue // a lane without chips is never driven
		}
		highest := uint16(1)<<uint(p.m.a.Lanes[lane].Bits) - 1
		for n := range len(readouts) + 1 {
			codes := byFrame[n*lanes+lane]
			switch {
			case len(codes) == 0:
				return nil, nil, fmt.Errorf("readout %d gave no capture of lane %s", n, p.m.a.Lanes[lane].Name)
			case n == 0:
				idle[lane] = idleOf(codes, highest)
			default:
				readouts[n-1][lane] = p.level(codes, idle[lane], lane, highest)
			}
		}
	}
	return readouts, idle, nil
}

func idleOf(codes []uint16, highest uint16) LaneIdle {
	i := LaneIdle{Full: true}
	for _, c := range codes {
		i.Mean += float64(c)
		i.Full = i.Full && c == highest
	}
	i.Mean /= float64(len(codes))
	for _, c := range codes {
		i.Spread = max(i.Spread, max(i.Mean-float64(c), float64(c)-i.Mean))
	}
	return i
}

// level compares codes with the lane's idle level. The band around it is three times the spread seen while idle, or six
// times the converter's noise, and at least a hundredth of the range. With most pixels outside the band the lane is
// driven, with at most one it is idle. In between nothing is concluded: a wrong level would exclude the true fault for
// good, while an unclear one only costs a readout.
func (p *Programs) level(codes []uint16, idle LaneIdle, lane int, highest uint16) Level {
	conv := p.m.a.Lanes[lane].Spec.GetConverter()
	noise := conv.GetNoiseVolts() / (conv.GetHighVolts() - conv.GetLowVolts()) * float64(highest)
	band := max(3*idle.Spread, 6*noise, float64(highest)/100, 2)
	outside, full := 0, 0
	for _, c := range codes {
		if d := float64(c) - idle.Mean; d > band || d < -band {
			outside++
		}
		if c == highest {
			full++
		}
	}
	switch {
	case idle.Full && full == len(codes):
		return Saturated
	case 2*outside > len(codes):
		return Driven
	case outside <= 1:
		return Idle
	}
	return Unclear
}
