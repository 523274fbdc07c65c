package chipmodel

import (
	"fmt"
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"

	"facetd.example/chipmodel/analog"
)

// SelectTime is how long a change of the select word takes: all lines inactive
// for the dead time (break before make), then the new word's set-up time.
func (a *Array) SelectTime() time.Duration { return a.DeadTime() + a.Up(a.Timing.SelectSetup) }

// DeadTime is how long all lines are inactive between two words.
func (a *Array) DeadTime() time.Duration { return a.Up(a.Timing.DeadTime) }

// WriteTime is how long one register write takes.
func (a *Array) WriteTime() time.Duration { return a.Up(a.Timing.Write) }

// StrobeTime is how long the pulse of one strobe takes.
func (a *Array) StrobeTime() time.Duration { return a.Up(a.Timing.Strobe) }

// LoadTime is how long the load strobe of a class takes: the pulse and every row.
func (a *Array) LoadTime(c *Class) time.Duration {
	return a.Up(a.Timing.Strobe + time.Duration(c.Rows)*c.Spec.GetMemory().GetLoadRow().AsDuration())
}

// ShareTime is how long the share strobe of a memory class takes under two patterns: the pulse, and the hold.
func (a *Array) ShareTime(c *Class, columns, rows uint8) time.Duration {
	return a.StrobeTime() + a.ShareHold(c, columns, rows)
}

// ShareHold is how long a share keeps the switches of two patterns closed: the time for the largest block that they
// join to settle to half a step of the converter. A measured time in the array file overrides the computed one.
func (a *Array) ShareHold(c *Class, columns, rows uint8) time.Duration {
	m := c.Spec.GetMemory()
	if m.GetShareSettle() != nil {
		return a.Up(m.GetShareSettle().AsDuration())
	}
	return a.Up(analog.ShareSettle(
		analog.LargestBlock(rows, c.Rows), analog.LargestBlock(columns, c.Columns),
		m.GetSwitchResistanceOhms(), m.GetCellCapacitanceFf()*1e-15, c.Bits))
}

// ExposeTime is how long the strobe takes that begins an exposure, the exposure included: the load comes when it ends.
func (a *Array) ExposeTime(exposure time.Duration) time.Duration {
	return max(a.StrobeTime(), a.Up(exposure))
}

// LaneDischarge is how long an undriven lane takes to come back to its idle level. The
// array file does not say, since it depends on the board: ten microseconds are many time
// constants of a usual lane (common practice, no source).
const LaneDischarge = 10 * time.Microsecond

// LaneSettle is how long a chip's lane needs to settle after a change, to half a
// step of the converter: (bits+1) ln 2 time constants of the output resistance
// and the whole line's capacitance, or the measured time of the class. The
// settling law is that of a single pole (Analog Devices AN-1024; seen). It is what the
// lane needs, on any bus; a bus gives it the next multiple of its grain.
func (a *Array) LaneSettle(chip int) time.Duration {
	c := &a.Chips[chip]
	if s := c.Class.Spec.GetReadout().GetSettle(); s != nil {
		return s.AsDuration()
	}
	lane := &a.Lanes[c.Lane]
	tau := c.Class.Spec.GetReadout().GetOutputResistanceOhms() * lane.CapacitanceFarads
	return time.Duration(math.Ceil(analog.SettlingTaus(lane.Bits+1) * tau * 1e9))
}

// BiasedSettle is LaneSettle of a chip whose output bias register holds a value: a bias below nominal leaves the output
// less bandwidth, and the lane needs longer in proportion. The settling time of the array file is that of the nominal
// bias; a bias above it is not taken to need less. Without such a register the value is ignored.
func (a *Array) BiasedSettle(chip int, outputBias uint16) time.Duration {
	settle := a.LaneSettle(chip)
	bias := a.Chips[chip].Class.Spec.GetOutputBias()
	if bias == nil {
		return settle
	}
	bandwidth := analog.BiasBandwidth(bias.GetBandwidthPerStep(), int(outputBias)-int(bias.GetNominal()))
	return max(settle, time.Duration(math.Ceil(float64(settle)/bandwidth)))
}

// Window is a checked readout window: Rows x Columns pixels are read, the first
// at (Row, Column), RowStep and ColumnStep lattice cells apart.
type Window struct {
	Row, Column         int
	Rows, Columns       int
	RowStep, ColumnStep int
}

// Pixels is the number of pixels read.
func (w Window) Pixels() int { return w.Rows * w.Columns }

// Part returns the window of n of its rows from row first on.
func (w Window) Part(first, n int) Window {
	w.Row += first * w.RowStep
	w.Rows = n
	return w
}

// Message returns the window in the schema's form.
func (w Window) Message() *facetdv1.Window {
	return &facetdv1.Window{
		Row: uint32(w.Row), Column: uint32(w.Column), Rows: uint32(w.Rows), Columns: uint32(w.Columns),
		RowStep: uint32(w.RowStep), ColumnStep: uint32(w.ColumnStep),
	}
}

// NewWindow fills in a requested window for a class: steps default to the bin,
// counts to what the lattice has left. It reports every way in which the window
// leaves the lattice.
func NewWindow(w *facetdv1.Window, c *Class, binRows, binColumns int) (Window, invalid.Errors) {
	var m invalid.Errors
	rows := windowAxis(&m, axisSpec{"row", "rows", "row_step", c.Rows, binRows}, w.GetRow(), w.GetRows(),
		w.GetRowStep())
	cols := windowAxis(&m, axisSpec{"column", "columns", "column_step", c.Columns, binColumns}, w.GetColumn(),
		w.GetColumns(), w.GetColumnStep())
	return Window{
		Row: rows[0], Rows: rows[1], RowStep: rows[2],
		Column: cols[0], Columns: cols[1], ColumnStep: cols[2],
	}, m
}

type axisSpec struct {
	first, count, step string
	size, bin          int
}

func windowAxis(m *invalid.Errors, ax axisSpec, first, count, step uint32) [3]int {
	size := uint64(ax.size)
	st := uint64(step)
	if st == 0 {
		st = uint64(max(ax.bin, 1))
	}
	if uint64(first) >= size {
		m.Add(ax.first, fmt.Sprintf("%d is outside the lattice of %d", first, ax.size),
			fmt.Sprintf("use 0 to %d", ax.size-1))
		return [3]int{0, 1, 1}
	}
	most := (size - uint64(first) + st - 1) / st
	n := uint64(count)
	if n == 0 {
		n = most
	}
	if n > most {
		m.Add(ax.count, fmt.Sprintf("%d pixels, %d apart from %d, leave the lattice of %d", n, st, first, ax.size),
			fmt.Sprintf("at most %d fit", most))
		return [3]int{0, 1, 1}
	}
	return [3]int{int(first), int(n), int(st)}
}

// ScanTiming is the exact course of one readout. Times count from the start of
// the operation. Pixel (r, c) of the window is sampled by the converter at
// First + r RowInterval + c PixelInterval.
type ScanTiming struct {
	First         time.Duration
	PixelInterval time.Duration
	RowInterval   time.Duration
	Duration      time.Duration // to the end of the last conversion
	// Settle and Convert add up to Duration: stepping and settling, and conversion that nothing overlaps.
	Settle, Convert time.Duration
}

// SampleAt is the sampling time of pixel (row, column) of the window.
func (s ScanTiming) SampleAt(row, column int) time.Duration {
	return s.First + time.Duration(row)*s.RowInterval + time.Duration(column)*s.PixelInterval
}

// ScanTime returns the course of a readout of chips, one per lane and all of one class, over one window. After each
// change the lanes are given the time settle; 0 gives them what the slowest needs (LaneSettle). With several lanes the
// slowest sets the pace, since one series of steps reads them all.
//
// Addressed chips take one step for each pixel that is read and one row step for each row. Counter chips, which must
// have been reset, take a step for every pixel that they pass, from the first of the lattice on, and a row step for
// every row that they enter after the first.
func (a *Array) ScanTime(chips []int, w Window, settle time.Duration) ScanTiming {
	class := a.Chips[chips[0]].Class
	step, rowStep := a.StepTime(class), a.Up(class.Spec.GetReadout().GetRowStep().AsDuration())
	var nominal, conversion time.Duration
	hold := true
	for _, c := range chips {
		lane := &a.Lanes[a.Chips[c].Lane]
		nominal = max(nominal, a.LaneSettle(c))
		conversion = max(conversion, a.ConversionTime(a.Chips[c].Lane))
		hold = hold && lane.SampleAndHold
	}
	if settle == 0 {
		settle = nominal
	}
	settle = a.Up(settle)
	// How long it takes from the previous sampling instant until the lane changes for the last time.
	first := rowStep + step
	pixel := step
	row := rowStep + step
	if class.Counts() {
		first = time.Duration(w.Row*class.Columns+w.Column+1)*step + time.Duration(w.Row)*rowStep
		pixel = time.Duration(w.ColumnStep) * step
		passed := w.RowStep*class.Columns - (w.Columns-1)*w.ColumnStep
		row = time.Duration(passed)*step + time.Duration(w.RowStep)*rowStep
	}
	interval := func(move time.Duration) time.Duration {
		if hold {
			return max(move+settle, conversion)
		}
		return move + settle + conversion
	}
	t := ScanTiming{First: first + settle, PixelInterval: interval(pixel)}
	inRow := time.Duration(w.Columns - 1)
	t.RowInterval = inRow*t.PixelInterval + interval(row)
	t.Duration = t.First + time.Duration(w.Rows-1)*t.RowInterval + inRow*t.PixelInterval + conversion
	t.Settle = t.First + time.Duration(w.Rows)*inRow*(pixel+settle) + time.Duration(w.Rows-1)*(row+settle)
	t.Convert = t.Duration - t.Settle
	return t
}

// StepTime is how long one step of the address or counter of a class takes.
func (a *Array) StepTime(c *Class) time.Duration {
	return a.Up(c.Spec.GetReadout().GetStep().AsDuration())
}

// ConversionTime is how long one conversion on a lane takes.
func (a *Array) ConversionTime(lane int) time.Duration { return a.Up(a.Lanes[lane].Conversion) }

// ResetTime is how long the reset strobe of a class read by counter takes: its pulse, or the bus's own where that is
// longer.
func (a *Array) ResetTime(c *Class) time.Duration {
	return a.Up(max(a.Timing.Strobe, c.Spec.GetCounter().GetReset_().AsDuration()))
}

// AdvanceTime is how long the advance strobe of a class read by counter takes, likewise.
func (a *Array) AdvanceTime(c *Class) time.Duration {
	return a.Up(max(a.Timing.Strobe, c.Spec.GetReadout().GetStep().AsDuration()))
}

// PatternSettle is how long pixels that switches join before sensing are given after a change of the patterns; 0 for
// chips without such switches.
func (a *Array) PatternSettle(c *Class) time.Duration {
	return a.Up(c.Spec.GetPixelSwitches().GetPatternSettle().AsDuration())
}
