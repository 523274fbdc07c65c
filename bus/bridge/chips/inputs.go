package chips

import (
	"cmp"
	"slices"
	"time"

	"facetd.example/bus/bridge/wire"
	"facetd.example/chipmodel"
)

// inputs are those of a board, with what is wired to them: outputs, each through a diode, so that an input is high
// while any of them is. Edges are told of those that the board watches. Moves within a train of samples are not
// followed: while a board watches its outputs, it samples nothing.
type inputs struct {
	route   *routes
	loops   map[chipmodel.Pin]chipmodel.Pin // inputs by output
	delay   uint64                          // of an edge on its way, in ticks
	watched map[uint8]bool
	levels  map[chipmodel.Pin]bool // of outputs that are wired to inputs
	to      []change               // what is to come, by time
	edges   []wire.PinEdge         // to be told
	pulses  []pulse                // from outside
	since   uint64                 // up to when edges of those were noted
	word    uint64
	// What the register bus and the address show.
	number, value, row, column uint64
}

// change is a change of an output's level.
type change struct {
	at   uint64
	pin  chipmodel.Pin
	high bool
}

// pulse is a Pulse in ticks.
type pulse struct {
	input        uint8
	every, width uint64
}

func newInputs(r *routes, d *chipmodel.Device, tick time.Duration, cfg *Config) inputs {
	in := inputs{route: r, watched: map[uint8]bool{}, levels: map[chipmodel.Pin]bool{},
		delay: uint64(cfg.WireDelay / tick)}
	for _, p := range cfg.Pulses {
		every := max(uint64(p.Every/tick), 2)
		in.pulses = append(in.pulses, pulse{uint8(p.Input), every, min(max(uint64(p.Width/tick), 1), every-1)})
	}
	if d != nil {
		in.loops = d.Loopback
	}
	return in
}

// watch takes which inputs are watched, at a time.
func (in *inputs) watch(pin uint8, at uint64) {
	if pin == wire.NoPin {
		clear(in.watched)
		in.edges, in.since = nil, at
		return
	}
	in.watched[pin] = true
}

// set has the output of a signal change its level.
func (in *inputs) set(signal int, at uint64, high bool) {
	if !in.route.said || signal < 0 || signal >= wire.Signals {
		return
	}
	pin := chipmodel.Pin(in.route.pins[signal])
	if _, looped := in.loops[pin]; looped {
		in.to = append(in.to, change{at, pin, high})
	}
}

// shows has a group of outputs change from a number to another one.
func (in *inputs) shows(before *uint64, now uint64, first, n int, at uint64) {
	for bit := range n {
		if (*before^now)>>bit&1 == 1 {
			in.set(first+bit, at, now>>bit&1 == 1)
		}
	}
	*before = now
}

// event follows what the board drives, as the board means it.
func (in *inputs) event(e *wire.PinEvent) {
	if len(in.loops) == 0 {
		return
	}
	switch e.Kind {
	case wire.PinSelect:
		in.shows(&in.word, e.Word, wire.SignalSelect, chipmodel.MaxLines, e.At)
	case wire.PinRelease:
		in.release(e.At)
	case wire.PinStrobe:
		in.pulse(wire.SignalStrobe+int(e.Which), e.At, e.At+e.Width)
	case wire.PinWrite:
		in.shows(&in.number, uint64(e.Which), wire.SignalNumber, chipmodel.NumberPins, e.At)
		in.shows(&in.value, uint64(e.Value), wire.SignalValue, chipmodel.ValuePins, e.At)
		in.pulse(wire.SignalWrite, e.At+e.Width/4, e.At+3*(e.Width/4))
	case wire.PinRow:
		in.shows(&in.row, uint64(e.Value), wire.SignalRow, chipmodel.AddressPins, e.At)
	case wire.PinColumn:
		in.shows(&in.column, uint64(e.Value), wire.SignalColumn, chipmodel.AddressPins, e.At)
	case wire.PinClock:
		for i := range uint64(e.Count) {
			in.pulse(wire.SignalClock, e.At+i*e.Width, e.At+i*e.Width+e.Width/2)
		}
	case wire.PinSample:
		if e.Counts == 0 && e.Count > 0 {
			last := uint64(e.Value) + uint64(e.Count-1)*uint64(e.Step)
			in.shows(&in.column, last, wire.SignalColumn, chipmodel.AddressPins, e.At+uint64(e.Count-1)*e.Interval)
		}
	}
	if len(in.watched) == 0 { // nobody asks for what was
		in.until(e.At)
	}
}

func (in *inputs) pulse(signal int, from, to uint64) {
	in.set(signal, from, true)
	in.set(signal, to, false)
}

// release makes every line and strobe inactive; register bus and address stay.
func (in *inputs) release(at uint64) {
	in.shows(&in.word, 0, wire.SignalSelect, chipmodel.MaxLines, at)
	for i := range in.to {
		if c := &in.to[i]; c.at > at {
			c.at, c.high = at, false
		}
	}
}

// until lets the levels change up to a time, and notes the edges that inputs see.
func (in *inputs) until(at uint64) {
	slices.SortStableFunc(in.to, func(a, b change) int { return cmp.Compare(a.at, b.at) })
	n := 0
	for ; n < len(in.to) && in.to[n].at+in.delay <= at; n++ {
		c := in.to[n]
		input := in.loops[c.pin]
		before := in.high(input)
		in.levels[c.pin] = c.high
		if now := in.high(input); now != before && in.watched[uint8(input)] {
			in.note(uint8(input), now, c.at+in.delay)
		}
	}
	in.to = slices.Delete(in.to, 0, n)
}

func (in *inputs) note(input uint8, high bool, at uint64) {
	e := wire.PinEdge{Input: input, At: at}
	if high {
		e.Level = 1
	}
	in.edges = append(in.edges, e)
}

func (in *inputs) high(input chipmodel.Pin) bool {
	for output, is := range in.loops { // in any order
		if is == input && in.levels[output] {
			return true
		}
	}
	return false
}

// outside notes the edges of pulses that came up to a time.
func (in *inputs) outside(at uint64) {
	if at <= in.since {
		return
	}
	before := len(in.edges)
	for _, p := range in.pulses {
		if !in.watched[p.input] {
			continue
		}
		for from := in.since / p.every * p.every; from <= at; from += p.every {
			for _, e := range []wire.PinEdge{{Input: p.input, Level: 1, At: from},
				{Input: p.input, At: from + p.width}} {
				if e.At > in.since && e.At <= at {
					in.edges = append(in.edges, e)
				}
			}
		}
	}
	in.since = at
	if len(in.edges) > before {
		slices.SortStableFunc(in.edges, func(a, b wire.PinEdge) int { return cmp.Compare(a.At, b.At) })
	}
}

// look appends the answer to a look: the first edges up to a time.
func (in *inputs) look(dst []byte, at uint64) []byte {
	in.until(at)
	in.outside(at)
	for range wire.LookEdges {
		e := wire.PinEdge{Input: wire.NoPin}
		if len(in.edges) > 0 {
			e, in.edges = in.edges[0], in.edges[1:]
		}
		dst = wire.Append(dst, e)
	}
	return dst
}
