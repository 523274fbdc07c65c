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
	later := &laterRead{bus: b, lane: lane, codes: cp.Codes, columns: cp.Window.Columns,
		conversion: lane.later.Later(look, cp.Window.Pixels(), residual)}
	cp.Later = later.convert
	return true
}

// laterRead is what one chip would have been read as.
type laterRead struct {
	bus        *Bus
	lane       *simulatedLane
	conversion *die.LaterConversion // nil once it is done
	codes      []uint16
	columns    int
	low, high  int
}

// convert is Capture.Later.
func (l *laterRead) convert() (low, high int) {
	l.bus.looking.Lock()
	defer l.bus.looking.Unlock()
	if l.conversion != nil {
		l.conversion.Convert(l.codes, l.columns)
		l.low, l.high = l.lane.count(l.codes)
		l.conversion = nil
	}
	return l.low, l.high
}
