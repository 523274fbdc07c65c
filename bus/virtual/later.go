package virtual

import (
	"facetd.example/bus"
	"facetd.example/chipmodel/die"
)

// deferDies has dies and lanes do later what they can. What differs from its description, or has a defect, does
// everything at once.
func (b *Bus) deferDies() {
	if b.groundTruth != nil {
		return
	}
	for i := range b.chips {
		c := &b.chips[i]
		if d, ok := c.die.(*die.Die); ok {
			if c.later = die.Defer(d, i, len(b.chips)); c.later != nil {
				c.die = c.later
			}
		}
	}
	for i := range b.lanes {
		b.lanes[i].later, _ = b.lanes[i].laneModel.(*die.Lane)
	}
}

// readLater is read for whoever looks, if anybody does; false where the chip must be read at once. What is looked at
// waits for the operation that the bus simulates, and the bus for it, one chip at a time.
func (b *Bus) readLater(cp *bus.Capture, residual float64) bool {
	chip, lane := &b.chips[cp.Chip], &b.lanes[b.array.Chips[cp.Chip].Lane]
	if chip.later == nil || lane.later == nil || b.faults.Any() {
		return false
	}
	look, ok := chip.later.Later(die.Readout{Window: cp.Window, At: cp.FirstSample, RowInterval: cp.RowInterval,
		PixelInterval: cp.PixelInterval}, chip.light)
	if !ok {
		return false
	}
	later := b.queue[0].room(b.programs[b.queue[0].segment.Program].captures)
	later.bus, later.lane, later.columns = b, lane, cp.Window.Columns
	later.conversion = lane.later.Later(look, cp.Window.Pixels(), residual)
	cp.Later = later
	return true
}

// room is for one more of the captures of a segment that are put off. Those of a segment lie in one piece: whoever
// looks looks at all of them, and then none is kept.
func (f *flight) room(captures int) *laterRead {
	if len(f.later) == cap(f.later) {
		f.later = make([]laterRead, 0, captures) // again where a readout that was simulated early was taken back
	}
	f.later = f.later[:len(f.later)+1]
	return &f.later[len(f.later)-1]
}

// laterRead is what one chip would have been read as.
type laterRead struct {
	bus        *Bus
	lane       *simulatedLane
	conversion *die.LaterConversion // in a piece of its lane: those of several lanes would keep one another for ever
	columns    int
}

// Read is that of bus.Later.
func (l *laterRead) Read(codes []uint16) (low, high int) {
	l.bus.looking.Lock()
	defer l.bus.looking.Unlock()
	l.conversion.Convert(codes, l.columns)
	return l.lane.count(codes)
}
