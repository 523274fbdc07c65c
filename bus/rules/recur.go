package rules

import (
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// A table repeats. When an inspector is in the same state at the same place of two cycles, with times counted back from
// that moment, then from there on it will see what it has seen before, in this cycle and in every later one: what
// remains need not be run.

// recurrence looks for that moment.
type recurrence struct {
	in *Inspector
	// waiting are the tasks of the table none of whose jobs has ended.
	waiting map[string]bool
	at      int // place in the cycle where the state was taken; -1 before
	state   moment
}

func newRecurrence(in *Inspector, t *TimedTable) *recurrence {
	r := &recurrence{in: in, waiting: map[string]bool{}, at: -1}
	for i := range t.Entries {
		r.waiting[t.Entries[i].Segment.Job.Task] = true
	}
	return r
}

// ended notes that a job of a task has ended at a place of a cycle, counted from 0. It reports whether nothing new will
// be seen.
//
// The state is taken in the first cycle once a job of every task has ended: by the same place of the second cycle, the
// numbers of every task's jobs have then been seen to go on. After a violation every cycle is run, since those of later
// cycles are wanted as well.
func (r *recurrence) ended(task string, place, cycle int) bool {
	delete(r.waiting, task)
	switch {
	case cycle == 0 && r.at < 0 && len(r.waiting) == 0:
		if state, ok := r.in.moment(); ok {
			r.at, r.state = place, state
		}
	case cycle == 1 && place == r.at && r.in.total == 0:
		state, ok := r.in.moment()
		return ok && r.state.same(state)
	}
	return false
}

// moment is what an inspector knows while no job is open. Times are how long ago something was, cut off at the longest
// that anything has to wait for it: beyond that, differences no longer matter, and would hide that the state has come
// back.
type moment struct {
	word  chipmodel.LineSet
	chips []chipMoment
	lanes []laneMoment
}

// laneMoment is how long ago a lane changed, and its last conversion ended.
type laneMoment struct{ changed, converted time.Duration }

type chipMoment struct {
	registers  [chipmodel.NumRegisters]uint16
	patternAge time.Duration
	counted    bool
	counter    int
}

// moment returns the state, or false while a job is open or a chip holds a load. So the histories of shares can be left
// out: nobody may rely on those of a chip without a load.
func (in *Inspector) moment() (moment, bool) {
	for _, t := range in.tasks {
		if t.open != nil {
			return moment{}, false
		}
	}
	ago := func(at bus.Time, longest time.Duration) time.Duration {
		if at < in.now.Add(-longest) { // or never
			return longest
		}
		return in.now.Sub(at)
	}
	settle := time.Duration(0)
	for i := range in.settle {
		settle = max(settle, in.neededAt(i, 0)) // the lowest bias is the slowest
	}
	m := moment{word: in.word, chips: make([]chipMoment, len(in.chips)), lanes: make([]laneMoment, len(in.lanes))}
	for i := range in.chips {
		c := &in.chips[i]
		if c.loaded || c.holder != nil {
			return moment{}, false
		}
		m.chips[i] = chipMoment{registers: c.registers, counted: c.counted, counter: c.counter}
		if class := in.a.Chips[i].Class; class != nil && class.HasSwitches() {
			m.chips[i].patternAge = ago(c.patternAt, class.Spec.GetPixelSwitches().GetPatternSettle().AsDuration())
		}
	}
	for i, l := range in.lanes {
		m.lanes[i] = laneMoment{ago(l.changed, settle), ago(l.busyUntil, 0)}
	}
	return m, true
}

func (m *moment) same(o moment) bool {
	return m.word == o.word && slices.Equal(m.chips, o.chips) && slices.Equal(m.lanes, o.lanes)
}
