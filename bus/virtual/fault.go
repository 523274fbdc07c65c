package virtual

import (
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/die"
	"facetd.example/chipmodel/fault"
)

// keptContentions limits the list of contentions; all are counted.
const keptContentions = 64

// Contention is two or more simulated dies driving one lane together. On a real bus their outputs work against each
// other, which may destroy chips.
type Contention struct {
	// From and Until are bus times; Until is 0 while it lasts.
	From, Until bus.Time
	Lane        int
	Chips       []int // ascending
}

// faults are what is wrong with the simulated array. They change which dies listen and drive, and what a lane shows.
// The inspector still judges by the wiring as described: it checks what the daemon does, which does not know the
// faults.
type faults struct {
	*fault.Set

	total   uint64
	kept    []Contention
	current []int // by lane: index of the contention that lasts in kept, or -1
}

// SetFaults replaces the faults of the simulated array, from now on. Several swaps act one after another in the order
// given; an open input that is shorted to a line follows that line alone; a short makes an input active with either
// line. The error is invalid.Errors with everything that is wrong; nothing has changed then.
func (b *Bus) SetFaults(set []*facetdv1.Fault) error {
	f, err := fault.New(b.array, set)
	if err != nil {
		return err
	}
	b.undo()
	b.faults.Set = f
	clear(b.reach)
	b.listening = b.reachOf(b.word)
	b.contend(b.Now())
	return nil
}

// Faults returns the faults of the simulated array.
func (b *Bus) Faults() []*facetdv1.Fault { return b.faults.Messages() }

// ClearFaults makes the simulated array fault-free.
func (b *Bus) ClearFaults() { _ = b.SetFaults(nil) }

// Contentions returns how often two dies began to drive one lane since the bus was
// made, and the last of those times, oldest first.
func (b *Bus) Contentions() (total uint64, last []Contention) {
	return b.faults.total, slices.Clone(b.faults.kept)
}

// drivers are the chips that really drive a lane, by ascending index.
func (b *Bus) drivers(lane int) []int {
	var out []int
	for _, c := range b.listening {
		if b.array.Chips[c].Lane == lane && !b.faults.Dead[c] &&
			b.chips[c].die.Register(chipmodel.OutputEnable)&1 == 1 {
			out = append(out, c)
		}
	}
	return out
}

// contend notes which lanes have more than one driver from bus time at on.
func (b *Bus) contend(at bus.Time) {
	f := &b.faults
	for lane := range b.lanes {
		if !b.contested(lane) && f.current == nil {
			continue
		}
		if f.current == nil {
			f.current = slices.Repeat([]int{-1}, len(b.lanes))
		}
		chips := b.drivers(lane)
		if i := f.current[lane]; i >= 0 {
			if slices.Equal(f.kept[i].Chips, chips) {
				continue
			}
			f.kept[i].Until = at
			f.current[lane] = -1
		}
		if len(chips) < 2 {
			continue
		}
		f.total++
		f.forget()
		f.current[lane] = len(f.kept)
		f.kept = append(f.kept, Contention{From: at, Lane: lane, Chips: chips})
	}
}

// contested is a quick check, without allocation, for more than one driver.
func (b *Bus) contested(lane int) bool {
	n := 0
	for _, c := range b.listening {
		if b.array.Chips[c].Lane == lane && b.chips[c].die.Register(chipmodel.OutputEnable)&1 == 1 {
			n++
		}
	}
	return n > 1
}

// forget drops the oldest contention that has ended, when there are too many.
func (f *faults) forget() {
	if len(f.kept) < keptContentions {
		return
	}
	i := slices.IndexFunc(f.kept, func(c Contention) bool { return c.Until != 0 })
	if i < 0 {
		return
	}
	f.kept = slices.Delete(f.kept, i, i+1)
	for lane, at := range f.current {
		if at > i {
			f.current[lane] = at - 1
		}
	}
}

// readLane converts what a lane really shows while a chip is read on it: the signal of the die that drives it, the mean
// of several, its idle level, or full scale. A die of another class than the one read gives pixels of its own lattice.
func (b *Bus) readLane(cp *bus.Capture, first, residual float64) {
	index := b.array.Chips[cp.Chip].Lane
	lane := &b.lanes[index]
	conv := b.real.Lanes[index].Spec.GetConverter()
	var drivers []int
	if !b.faults.LaneOpen[index] {
		drivers = b.drivers(index)
	}
	w := cp.Window
	volts, one := b.volts[:w.Columns], make([]float64, w.Columns)
	for r := range w.Rows {
		codes := cp.Codes[r*w.Columns : (r+1)*w.Columns]
		at := cp.RowStart(r)
		level := 0.0
		if len(drivers) == 0 {
			level = die.IdleVolts(conv)
		}
		for i := range volts {
			volts[i] = level
		}
		for _, c := range drivers {
			b.rowOf(one, c, w, r, at, cp.PixelInterval)
			for i := range volts {
				volts[i] += one[i] / float64(len(drivers))
			}
		}
		b.convert(index, codes, volts, first, residual, at, cp.PixelInterval)
		first = residual
		if b.faults.LaneSaturated[index] {
			for i := range codes {
				codes[i] = lane.highest
			}
		}
		low, high := lane.count(codes)
		cp.Low, cp.High = cp.Low+low, cp.High+high
	}
}

// rowOf fills dst with the volts of a row of a window, wrapped around the lattice of
// a chip that the window was not made for.
func (b *Bus) rowOf(dst []float64, chip int, w chipmodel.Window, r int, at bus.Time, interval time.Duration) {
	if t := b.groundTruth.Chip(chip); t.Slip != 0 {
		b.slips(dst, chip, t, w, r, at, interval)
		return
	}
	class, c := b.array.Chips[chip].Class, &b.chips[chip]
	row := (w.Row + r*w.RowStep) % class.Rows
	if last := w.Column + (w.Columns-1)*w.ColumnStep; last < class.Columns {
		c.die.Row(dst, row, w.Column, w.ColumnStep, at, interval, c.light)
		return
	}
	for i := range dst {
		column := (w.Column + i*w.ColumnStep) % class.Columns
		c.die.Row(dst[i:i+1], row, column, 1, at.Add(time.Duration(i)*interval), interval, c.light)
	}
}
