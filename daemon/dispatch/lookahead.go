package dispatch

import (
	"maps"
	"slices"

	"facetd.example/bus"
	"facetd.example/scheduler"
)

// cursor is a place in a table from which one can look ahead.
type cursor struct {
	t       *table
	skipped map[int]bool
	start   bus.Time // of the cycle
	i       int
}

// ahead is a cursor at the next segment that is not to be skipped. The table is not idle.
func (t *table) ahead() *cursor {
	c := &cursor{t, maps.Clone(t.skipped), t.cycleStart(), t.next}
	c.pass()
	return c
}

// entry is the segment at the cursor, and the bus time at which its cycle begins.
func (c *cursor) entry() (*scheduler.Entry, bus.Time) { return &c.t.plan.Entries[c.i], c.start }

// advance moves on to the next segment that is not to be skipped.
func (c *cursor) advance() {
	c.step()
	c.pass()
}

func (c *cursor) pass() {
	for e, _ := c.entry(); c.skipped[e.Task]; e, _ = c.entry() {
		if c.t.last(e) {
			delete(c.skipped, e.Task) // what follows is another job
		}
		c.step()
	}
}

func (c *cursor) step() {
	if c.i++; c.i == len(c.t.plan.Entries) {
		c.i, c.start = 0, c.start.Add(c.t.plan.Hyperperiod)
	}
}

// upcoming returns the next segment that is not to be skipped, and its start in bus time. The table is not idle.
func (t *table) upcoming() (*scheduler.Entry, bus.Time) {
	e, start := t.ahead().entry()
	return e, start.Add(e.Start)
}

// soonest are chips in the order in which jobs begin that touch them; those of no job come last. The table is not
// idle.
func (t *table) soonest(chips []int) []int {
	var out []int
	c := t.ahead()
	for range t.plan.Entries {
		if e, _ := c.entry(); e.Segment == 0 {
			for _, chip := range common(chips, t.plan.Tasks[e.Task].Task.Touches) {
				if !slices.Contains(out, chip) {
					out = append(out, chip)
				}
			}
		}
		if len(out) == len(chips) {
			return out
		}
		c.advance()
	}
	for _, chip := range chips {
		if !slices.Contains(out, chip) {
			out = append(out, chip)
		}
	}
	return out
}

// absorbs reports whether no job is open, and all end by their deadlines when nothing begins before a bus time, behind
// segments with those ends that were handed over before, in order. Of a job that begins later all segments do, and the
// later the less: none is held for longer. The table is not idle.
func (t *table) absorbs(from bus.Time, handed []bus.Time) bool {
	if len(t.open) > 0 {
		return false
	}
	// Once it has caught up so often in a row, no place in the queue is taken by what was late.
	enough, onTime := 1, 0
	if t.plan.Queue.Limits() {
		enough = t.plan.Queue.Places
	}
	c := t.ahead()
	for range len(t.plan.Entries) + enough - 1 {
		e, start := c.entry()
		begin := max(start.Add(e.Start), from, placeFrom(t.plan.Queue, handed))
		if onTime++; begin > start.Add(e.Start) {
			onTime = 0
		}
		if onTime == enough {
			return true
		}
		from = begin.Add(e.End - e.Start)
		if t.last(e) && from > start.Add(e.Deadline) {
			return false
		}
		handed = append(handed, from)
		c.advance()
	}
	return false
}

// patient reports whether the open jobs may be held for any time.
func (t *table) patient() bool {
	for _, job := range t.open {
		if job.job.MaxHold > 0 || job.job.MaxSkew > 0 {
			return false
		}
	}
	return true
}

// initializable reports whether all registers can be restored from bus time begin on without a delay: jobs that were
// released may wait, but none is open whose hold it could break, and it ends by a bus time before the next segment. The
// table is not idle.
func (t *table) initializable(begin, until bus.Time) bool {
	return len(t.open) == 0 && begin.Add(t.plan.InitializationTime) <= until
}
