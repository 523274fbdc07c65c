package chips

import (
	"facetd.example/bus/bridge/wire"
	"facetd.example/chipmodel"
)

// routes are where what a board drives ends up: the board says which pin shows what, and the array's device section
// says what is wired to that pin. The two need not agree.
type routes struct {
	wired map[uint8]int // by pin, the signal of the array
	lanes map[uint8]int // by converter, the lane of the array
	// The board's: pins by signal, and converters by lane, where it has said so. Without, it drives signal by signal.
	said       bool
	pins       [wire.Signals]uint8
	converters [wire.MaxLanes]uint8
	// The pin of the mark: that which the board drives, and that of the array file.
	mark, marked uint8
	// straight says that the address shows what the board means by it.
	straight bool
}

func newRoutes(d *chipmodel.Device) routes {
	r := routes{straight: true, mark: wire.NoPin, marked: wire.NoPin}
	if d == nil {
		return r
	}
	r.marked = uint8(d.Mark.Pin)
	r.wired, r.lanes = map[uint8]int{}, map[uint8]int{}
	for first, pins := range map[int][]chipmodel.Pin{ // in any order: no pin serves twice
		wire.SignalSelect: d.Selects, wire.SignalStrobe: d.Strobes[:], wire.SignalNumber: d.Number,
		wire.SignalValue: d.Value, wire.SignalWrite: {d.Write}, wire.SignalRow: d.Row, wire.SignalColumn: d.Column,
		wire.SignalClock: {d.Clock},
	} {
		for i, p := range pins {
			if p != chipmodel.NoPin {
				r.wired[uint8(p)] = first + i
			}
		}
	}
	for lane, c := range d.Converters {
		r.lanes[uint8(c)] = lane
	}
	return r
}

// take takes what the board says of a pin. Where nothing is known of the wires, they are taken to be as the board
// drives them.
func (r *routes) take(e *wire.PinEvent) {
	switch {
	case e.Which == wire.RouteBegin:
		r.said, r.mark = false, wire.NoPin
	case e.Which == wire.SignalMark:
		r.mark = uint8(e.Value)
	case r.wired == nil:
	case e.Which >= wire.RouteLane && int(e.Which-wire.RouteLane) < len(r.converters):
		r.begin()
		r.converters[e.Which-wire.RouteLane] = uint8(e.Value)
	case e.Which < wire.Signals:
		r.begin()
		r.pins[e.Which] = uint8(e.Value)
	}
	r.straight = true
	for bit := range 2 * chipmodel.AddressPins {
		signal := wire.SignalRow + bit
		is, there := r.signal(signal)
		// What is not there is never driven, where the file gives as many pins as the address takes.
		r.straight = r.straight && (is == signal || !there && r.pins[signal] == wire.NoPin)
	}
}

// begin forgets what the board has said before.
func (r *routes) begin() {
	if r.said {
		return
	}
	r.said = true
	for i := range r.pins {
		r.pins[i] = wire.NoPin
	}
	for i := range r.converters {
		r.converters[i] = wire.NoPin
	}
}

// signal is what of the array gets a signal of the board.
func (r *routes) signal(signal int) (is int, there bool) {
	if !r.said {
		return signal, true
	}
	is, there = r.wired[r.pins[signal]]
	return is, there && r.pins[signal] != wire.NoPin
}

// bits are those of a value that reach a group of signals of the array.
func (r *routes) bits(value uint64, first, n int) uint64 {
	if !r.said {
		return value
	}
	out := uint64(0)
	for i := range n {
		if is, there := r.signal(first + i); value>>i&1 == 1 && there && is >= first && is < first+n {
			out |= 1 << (is - first)
		}
	}
	return out
}

// event makes what the board drives what the array gets. A pulse on what is no strobe, or a level on one, is nothing.
func (r *routes) event(e *wire.PinEvent) {
	if !r.said {
		return
	}
	only := func(signal, first, n int) (which int) {
		is, there := r.signal(signal)
		if !there || is < first || is >= first+n {
			e.Kind = 0
			return 0
		}
		return is - first
	}
	switch e.Kind {
	case wire.PinSelect:
		e.Word = r.bits(e.Word, wire.SignalSelect, chipmodel.MaxLines)
	case wire.PinWrite:
		e.Which = uint8(r.bits(uint64(e.Which), wire.SignalNumber, chipmodel.NumberPins))
		e.Value = uint16(r.bits(uint64(e.Value), wire.SignalValue, chipmodel.ValuePins))
		only(wire.SignalWrite, wire.SignalWrite, 1)
	case wire.PinStrobe:
		if e.Which == 0 || wire.SignalStrobe+int(e.Which) >= wire.SignalNumber {
			e.Kind = 0
			return
		}
		e.Which = uint8(only(wire.SignalStrobe+int(e.Which), wire.SignalStrobe, wire.SignalNumber-wire.SignalStrobe))
	case wire.PinClock:
		only(wire.SignalClock, wire.SignalClock, 1)
	case wire.PinMark:
		if r.mark != r.marked {
			e.Kind = 0
		}
	}
}

// address is the row and column that the chips see of those that the board shows.
func (r *routes) address(row, column int) (int, int) {
	return int(r.bits(uint64(row), wire.SignalRow, chipmodel.AddressPins)),
		int(r.bits(uint64(column), wire.SignalColumn, chipmodel.AddressPins))
}

// lane is that of the array which a lane of the board converts; -1 where it is none.
func (r *routes) lane(lane int) int {
	if !r.said || lane >= len(r.converters) {
		return lane
	}
	is, there := r.lanes[r.converters[lane]]
	if !there || r.converters[lane] == wire.NoPin {
		return -1
	}
	return is
}
