package scheduler

import (
	"slices"
	"time"
)

// Idle is an idle part of the endlessly repeated table, in which one segment more may run: from From at the earliest,
// to To at the latest. It may reach over the end of the cycle.
//
// Beside a queue (see scheduler/timetable) that is not all of the idle time. A segment put in counts among those before
// which another one finds its place, so that the next Places-1 segments find theirs one result later than in the table:
// where one of them would come too late nothing may run here, whenever it begins. It must itself find a place, and the
// one that takes its own place begins Ahead after its end or later.
type Idle struct {
	From, To time.Duration
	// Open are the bus jobs that are open over it, by index in Plan.Tasks, ascending.
	Open []int
	// Unused says that it is idle only where the reservation that begins at From, or before it, is not used.
	Unused bool
}

// Idle lists the idle parts of one cycle, and those that there are when one reservation is not used, which is known at
// its start.
func (p *Plan) Idle() []Idle {
	var out []Idle
	open := map[int]bool{}
	add := func(i Idle, without int) {
		for task := range open {
			if task != without {
				i.Open = append(i.Open, task)
			}
		}
		slices.Sort(i.Open)
		out = append(out, i)
	}
	for i := range p.Entries {
		e := &p.Entries[i]
		if e.Segment == len(p.Tasks[e.Task].Segments)-1 {
			delete(open, e.Task)
		} else {
			open[e.Task] = true
		}
		w := &around{plan: p, i: i}
		if from, to, any := w.between(e.End); any {
			add(Idle{From: from, To: to}, -1)
		}
		if p.Tasks[e.Task].Task.Sporadic == nil || e.Segment > 0 {
			continue
		}
		w.unused = true
		if from, to, any := w.between(e.Start); any {
			add(Idle{From: from, To: to, Unused: true}, e.Task)
		}
	}
	return out
}

// around looks at the segments before and after one, through the cycles before and after.
type around struct {
	plan *Plan
	i    int
	// unused leaves out the job of that one.
	unused bool
}

// at is the start and the end of a segment by its index, which may be one of another cycle.
func (w *around) at(k int) (start, end time.Duration) {
	n := len(w.plan.Entries)
	cycle := k / n
	if k%n < 0 {
		cycle--
	}
	e := &w.plan.Entries[k-cycle*n]
	shift := time.Duration(cycle) * w.plan.Hyperperiod
	return e.Start + shift, e.End + shift
}

// leftOut reports whether a segment is not run.
func (w *around) leftOut(k int) bool {
	if !w.unused || k < 0 || k >= len(w.plan.Entries) {
		return false
	}
	e, of := &w.plan.Entries[k], &w.plan.Entries[w.i]
	return e.Task == of.Task && e.Job == of.Job
}

// step is the index of the next segment that is run, or of the one before.
func (w *around) step(k, by int) int {
	for k += by; w.leftOut(k); k += by {
	}
	return k
}

// between is when one segment more may run after the one, or in its place, from a time on; false where none may.
func (w *around) between(from time.Duration) (time.Duration, time.Duration, bool) {
	next := w.step(w.i, 1)
	to, _ := w.at(next)
	if q := w.plan.Queue; q.Limits() {
		ahead := time.Duration(q.Ahead)
		before := w.i // the last that is run before
		if w.unused {
			before = w.step(w.i, -1)
		}
		for range q.Places - 1 {
			before = w.step(before, -1)
		}
		_, end := w.at(before)
		from = max(from, end+ahead)
		for range q.Places - 1 {
			before = w.step(before, 1)
			_, end := w.at(before)
			if start, _ := w.at(next); start < end+ahead {
				return 0, 0, false
			}
			next = w.step(next, 1)
		}
		start, _ := w.at(next)
		to = min(to, start-ahead)
	}
	return from, to, from < to
}
