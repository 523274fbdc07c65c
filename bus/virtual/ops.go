package virtual

import (
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// keptWords limits the memory of what each select word reaches.
const keptWords = 4096

// do simulates one operation that begins at bus time at.
func (b *Bus) do(op *bus.Op, at bus.Time, res *bus.Result) {
	b.looking.Lock()
	defer b.looking.Unlock()
	b.applyChanges(at)
	switch op.Kind {
	case bus.OpSelect:
		b.word, b.selectedAt = op.Word, at
		b.listening = b.reachOf(op.Word)
		b.contend(at)
	case bus.OpWrite:
		for _, c := range b.listening {
			b.chips[c].die.Write(op.Register, op.Value)
		}
		b.contend(at)
	case bus.OpStrobe:
		for _, c := range b.listening {
			b.strobe(&b.chips[c], op, at, b.groundTruth.Chip(c).LoadDelay)
		}
	case bus.OpScan, bus.OpClockOut:
		b.scan(op.Scan, at, res)
	}
}

// leaveOut takes captures back that do not count.
func leaveOut(res *bus.Result, from int) {
	for i := range res.Captures[from:] {
		clear(res.Captures[from+i].Codes)
	}
	res.Captures = res.Captures[:from]
}

func (b *Bus) reachOf(word chipmodel.LineSet) []int {
	reached, known := b.reach[word]
	if !known {
		if len(b.reach) >= keptWords {
			clear(b.reach)
		}
		reached = b.faults.Reach(b.array, word)
		b.reach[word] = reached
	}
	return reached
}

// scan reads a window of every chip of a scan.
func (b *Bus) scan(s *bus.Scan, at bus.Time, res *bus.Result) {
	t := s.Timing(b.array)
	for i, c := range s.Chips {
		cp := bus.Capture{
			Chip: c, Frame: s.Frames[i], FirstRow: s.FirstRow, Window: s.Window,
			FirstSample: at.Add(t.First), RowInterval: t.RowInterval, PixelInterval: t.PixelInterval,
			Converted: at.Add(t.Duration),
		}
		cp.Light = cp.FirstSample
		if chip := &b.chips[c]; chip.memory && chip.loaded {
			cp.Light = chip.loadedAt
			cp.Hold = cp.LastSample().Sub(chip.loadedAt)
		}
		rest := b.residual(&t, s, c)
		if !b.queue[0].segment.Later || s.Levels || !b.readLater(&cp, rest) {
			cp.Codes = b.queue[0].segment.Room(s.Frames[i], s.FirstRow, s.Window)
			b.read(&cp, s.Levels, b.firstResidual(s, c, rest), rest)
		}
		res.Captures = append(res.Captures, cp)
	}
}

// residual is the part of the step from one pixel to the next that a chip's lane still lacks when it is sampled. An
// output with a bias register settles as fast as that register lets it.
func (b *Bus) residual(t *chipmodel.ScanTiming, s *bus.Scan, c int) float64 {
	chip := &b.array.Chips[c]
	moves := b.array.StepTime(chip.Class)
	if chip.Class.Counts() {
		moves *= time.Duration(s.Window.ColumnStep)
	}
	return b.lanes[chip.Lane].Residual(t.PixelInterval-moves-b.converting(s), b.neededNow(c))
}

// converting is how long after a sample the readout may not move on: one series of steps moves all lanes, and where one
// of them does not hold, every chip stays until the slowest has converted.
func (b *Bus) converting(s *bus.Scan) time.Duration {
	hold, slowest := true, time.Duration(0)
	for _, c := range s.Chips {
		lane := b.array.Chips[c].Lane
		hold = hold && b.array.Lanes[lane].SampleAndHold
		slowest = max(slowest, b.array.ConversionTime(lane))
	}
	if hold {
		return 0
	}
	return slowest
}

// neededNow is what a chip's lane needs to settle at the chip's output bias.
func (b *Bus) neededNow(c int) time.Duration {
	needed := b.chips[c].needed
	if bias := b.real.Chips[c].Class.Spec.GetOutputBias(); bias != nil {
		steps := int(b.chips[c].die.Register(chipmodel.OutputBias)) - int(bias.GetNominal())
		needed = time.Duration(float64(needed) / analog.BiasBandwidth(bias.GetBandwidthPerStep(), steps))
	}
	return needed
}

// read converts the pixels of one chip, row by row; or, for levels and where there
// are faults, what its lane shows.
func (b *Bus) read(cp *bus.Capture, levels bool, first, residual float64) {
	if levels || b.faults.Any() || b.groundTruth.Chip(cp.Chip).Slip != 0 {
		b.readLane(cp, first, residual)
		return
	}
	chip := &b.chips[cp.Chip]
	lane := &b.lanes[b.array.Chips[cp.Chip].Lane]
	w := cp.Window
	volts := b.volts[:w.Columns]
	for r := range w.Rows {
		codes := cp.Codes[r*w.Columns : (r+1)*w.Columns]
		at := cp.RowStart(r)
		chip.die.Row(volts, w.Row+r*w.RowStep, w.Column, w.ColumnStep, at, cp.PixelInterval, chip.light)
		b.convert(b.array.Chips[cp.Chip].Lane, codes, volts, first, residual, at, cp.PixelInterval)
		first = residual
		low, high := lane.count(codes)
		cp.Low, cp.High = cp.Low+low, cp.High+high
	}
}

// count counts the codes at either end of the range.
func (l *simulatedLane) count(codes []uint16) (low, high int) {
	for _, code := range codes {
		if code == 0 {
			low++
		}
		if code == l.highest {
			high++
		}
	}
	return low, high
}

// strobe acts on one chip that listens. delay is how much later than that it loads.
func (b *Bus) strobe(c *simulatedChip, op *bus.Op, at bus.Time, delay time.Duration) {
	hold := op.Hold
	switch op.Strobe {
	case chipmodel.Expose:
		if c.shutter {
			c.exposedAt = at.Add(bus.Cost(b.array, op).Total() - op.Hold)
		}
		return
	case chipmodel.Load:
		hold = 0
		if c.exposedAt >= b.selectedAt { // it has been selected ever since
			hold = at.Sub(c.exposedAt) + delay
		}
		c.exposedAt = bustime.Never
		if c.memory {
			c.loaded, c.loadedAt = true, at
		}
		at = at.Add(delay)
	}
	c.die.Strobe(op.Strobe, at, hold, c.light)
}
