package program

import (
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// LeastTime is a lower bound on the bus time of one job, by phase: every correct program needs it, whatever words,
// order, batches and segments it chooses. So it says how much a better planner could save at most. alone says that no
// other task writes registers of the job's chips.
//
// What it counts, and why no program does with less: the bus is one stream of operations; only a readout of several
// lanes, and a command that reaches several chips, do several things at once. A command of a job reaches no chip
// outside the job (rule 2), so none serves two jobs.
//
//   - Readouts. Every pixel of every frame settles and converts on its chip's lane.
//     A readout never takes less time than it takes each of its chips alone, and two
//     readouts of parts never less than one of the whole. A lane's chips are read one
//     after another (rule 1), and at best all other lanes at the same time: the bound
//     is the busiest lane.
//   - Selects. The chips of the fullest lane need as many words for their readouts,
//     one less of them a change within the job.
//   - Loads and shares. Every chip is loaded once, for a pair twice, and does every share (rule 6). Chips
//     that no word reaches together without reaching others need a strobe each: with
//     k such chips, k strobes each time.
//   - Writes. Between two shares of different patterns a register is written, and
//     another job may not do it (rule 5); from the last share of a job to the first of
//     the next as well, if nobody else writes it. Views that need d values of a
//     register need d-1 writes in whatever order they are read.
//   - Resets. Every readout of a counter begins from a reset.
//
// Not counted: enabling and disabling outputs, which a program may sometimes leave
// out; a second select where a broadcast and a readout have different words; waits
// that other work could fill; more than one batch, even where a limit forces it.
func LeastTime(w *Words, t *Task, alone bool) bus.Phases {
	a := w.a
	var b bus.Phases
	scans, fullest := busiestLane(a, t)
	b.Add(scans)
	b[facetdv1.Phase_PHASE_SELECT] += time.Duration(fullest-1) * a.SelectTime()
	apart := time.Duration(chipsApart(w, t.Chips, t.Touches))
	b[facetdv1.Phase_PHASE_WRITE] += apart * time.Duration(leastWrites(t, alone)) * a.WriteTime()
	loads := apart * time.Duration(t.Loads())
	if t.Class.HasMemory() {
		b[facetdv1.Phase_PHASE_LOAD] += loads * a.LoadTime(t.Class)
		if t.Views[0].Exposure > 0 { // the strobe alone: something else could be done while it lasts
			b[facetdv1.Phase_PHASE_LOAD] += loads * a.StrobeTime()
		}
		for i := range t.Views {
			for _, s := range t.Views[i].Shares {
				b[facetdv1.Phase_PHASE_SHARE] += loads * a.ShareTime(t.Class, s.Columns, s.Rows)
			}
		}
	}
	if t.Class.Counts() {
		reset := a.ResetTime(t.Class)
		b[facetdv1.Phase_PHASE_SETTLE] += loads * time.Duration(len(t.Views)) * reset
	}
	return b
}

// busiestLane is the time of all readouts of one job on the lane where it is
// longest, and the most chips that one lane has.
func busiestLane(a *chipmodel.Array, t *Task) (longest bus.Phases, fullest int) {
	times := make([]bus.Phases, len(a.Lanes))
	chips := make([]int, len(a.Lanes))
	for _, c := range t.Chips {
		lane := a.Chips[c].Lane
		chips[lane]++
		for i := range t.Views {
			s := a.ScanTime([]int{c}, t.furthest(i), t.Views[i].settle(a, []int{c}))
			times[lane][facetdv1.Phase_PHASE_SETTLE] += time.Duration(t.Loads()) * s.Settle
			times[lane][facetdv1.Phase_PHASE_CONVERT] += time.Duration(t.Loads()) * s.Convert
		}
	}
	for _, p := range times {
		if p.Total() > longest.Total() {
			longest = p
		}
	}
	return longest, slices.Max(chips)
}

// maxApart limits the chips among which chipsApart looks, which takes the cube of their number; fewer chips only lower
// the bound.
const maxApart = 256

// chipsApart is a number of chips of a target such that no word reaches two of them
// without reaching a chip that is not to be touched: at least so many words are needed to reach all.
func chipsApart(w *Words, target, touched []int) int {
	a := w.a
	if steps, err := w.cover(touched, false); err == nil && len(steps) == 1 {
		return 1
	}
	inside := make([]bool, len(a.Chips))
	for _, c := range touched {
		inside[c] = true
	}
	together := func(x, y int) bool {
		word := a.Chips[x].Wires | a.Chips[y].Wires
		for c := range a.Chips {
			if !inside[c] && a.Chips[c].Wires.Within(word) {
				return false
			}
		}
		return true
	}
	var apart []int
	for _, c := range target[:min(len(target), maxApart)] {
		if !slices.ContainsFunc(apart, func(o int) bool { return together(o, c) }) {
			apart = append(apart, c)
		}
	}
	return len(apart)
}

// leastWrites is how often the registers of one chip must be written for a job, at least.
func leastWrites(t *Task, alone bool) int {
	n := 0
	shares := slices.Repeat(t.shares(), t.Loads())
	for i, s := range shares {
		before := s
		switch {
		case i > 0:
			before = shares[i-1]
		case alone:
			before = shares[len(shares)-1]
		}
		n += changed(s.Columns, before.Columns) + changed(s.Rows, before.Rows)
	}
	values := map[bus.RegisterValue]bool{}
	registers := map[facetdv1.Register]bool{}
	need := func(r facetdv1.Register, v uint16) {
		values[bus.RegisterValue{Register: r, Value: v}] = true
		registers[r] = true
	}
	for i := range t.Views {
		v := &t.Views[i]
		if t.Class.HasSwitches() {
			need(chipmodel.ColumnPattern, uint16(v.Patterns.Columns))
			need(chipmodel.RowPattern, uint16(v.Patterns.Rows))
		}
		for k, rv := range v.Trim {
			if v.slotOf(k) == 0 { // what a slot gives may be the same as before
				need(rv.Register, rv.Value)
			}
		}
	}
	return n + len(values) - len(registers)
}

// furthest is the window of a view at the greatest values of its slots, for which every plan has to allow.
func (t *Task) furthest(view int) chipmodel.Window {
	v := &t.Views[view]
	w := v.Window
	if v.RowSlot > 0 {
		w.Row = t.Slots[v.RowSlot-1].High
	}
	if v.ColumnSlot > 0 {
		w.Column = t.Slots[v.ColumnSlot-1].High
	}
	return w
}

func changed(a, b uint8) int {
	if a != b {
		return 1
	}
	return 0
}
