package virtual

import (
	"sync"

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
			if c.later = die.Defer(d); c.later != nil {
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
	look := chip.later.Later(die.Readout{Window: cp.Window, At: cp.FirstSample, RowInterval: cp.RowInterval,
		PixelInterval: cp.PixelInterval}, chip.light)
	if look == nil {
		return false
	}
	conversion := lane.later.Later(look, cp.Window.Pixels(), residual)
	codes, columns := cp.Codes, cp.Window.Columns
	cp.Later = sync.OnceValues(func() (low, high int) {
		b.looking.Lock()
		defer b.looking.Unlock()
		conversion.Convert(codes, columns)
		return lane.count(codes)
	})
	return true
}
