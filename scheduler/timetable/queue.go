package timetable

import (
	"fmt"
	"slices"
)

// A queue between the planner and the bus. What runs a table may take segments ahead of their start, in the order of
// their starts, and not more than Q at once: a segment has a place from when it is handed over until its result has
// come back, a latency R after its end. It has to be handed over a lead L before its start.
//
// So segment i finds a place once the result of segment i-Q is there, as results come in the order of the ends, and a
// table in which every segment can be handed over in time is one with
//
//	start(i) >= end(i-Q) + R + L    for every i of the endlessly repeated table                              (1)
//
// It is necessary: otherwise i has no place at start(i)-L. It is enough, by induction over i: where all before i ran as
// planned, the result of i-Q is there at end(i-Q)+R, which is no later than start(i)-L. It holds for whatever part of
// the table is run, too: with segments left out, as those of a reservation that is not used, the Q-th before i is i-Q
// or an earlier one.
//
// Over one cycle of N segments of costs c and length H, the sum of (1) says that Q*H >= sum(c) + N*(R+L): what asks for
// more places than that fits in no table.
//
// Segments each of which is followed by (R+L)/Q without another keep (1): from the start of i-Q to that of i they and
// their pauses take at least the cost of i-Q and R+L. The search, for which (1) would be too much to remember, looks
// for such tables where it has to; EDF looks for those with (1) itself.

// Queue is how many segments a bus takes ahead of their start, and how far. The zero value is no limit.
type Queue struct {
	// Places is Q. Not below 1 where Ahead is above 0.
	Places int
	// Ahead is R+L: a segment finds a place so long before its start that its predecessor's result has come, and it is
	// handed over in time.
	Ahead int64
}

// Limits reports whether there are tables that the queue forbids.
func (q Queue) Limits() bool { return q.Ahead > 0 }

// Check reports the first segment of the endlessly repeated table that finds no place in the queue in time.
func (q Queue) Check(t Table) error {
	n := len(t.Placements)
	if !q.Limits() || n == 0 {
		return nil
	}
	for i, pl := range t.Placements {
		if from := q.from(t, i); pl.Start < from {
			return fmt.Errorf("segment %d of job %d of task %d starts at %d, but only %d segments may be handed over "+
				"at once, and it finds a place from %d on", pl.Segment, pl.Number, pl.Task, pl.Start, q.Places, from)
		}
	}
	return nil
}

// from is when segment i of a table that repeats may start at the earliest.
func (q Queue) from(t Table, i int) int64 {
	n := len(t.Placements)
	before := i - q.Places
	cycles := int64(0)
	if before < 0 {
		cycles = int64((-before + n - 1) / n)
	}
	return t.Placements[before+int(cycles)*n].End - cycles*t.Hyperperiod + q.Ahead
}

// tail is when the last segments of a table end that have places in the queue as the next cycle begins, by its clock,
// in order. There are as many as places.
func (q Queue) tail(t Table) []int64 {
	n := len(t.Placements)
	if n == 0 {
		return nil
	}
	out := make([]int64, q.Places)
	for k := range out {
		back := q.Places - k // 1 is the last segment of the cycle
		cycles := (back + n - 1) / n
		out[k] = t.Placements[cycles*n-back].End - int64(cycles)*t.Hyperperiod
	}
	return out
}

// maxWraps is how often EDF begins again as the end of a cycle leaves too few places for its beginning.
const maxWraps = 8

// queued is EDF with the queue of the options: the first cycle is laid out with every place free, and again behind what
// it leaves in the queue, until that makes no difference.
func (p *problem) queued(careful bool) (Table, *Witness) {
	var tail []int64
	for range maxWraps {
		s := newSimulation(p)
		s.careful, s.handed = careful, tail
		t, miss := s.finish()
		if miss != nil || p.opt.Queue.Check(t) == nil {
			return t, miss
		}
		tail = p.opt.Queue.tail(t)
	}
	return Table{}, &Witness{Message: "the end of each cycle leaves too few places for the beginning of the next"}
}

// gate is when the next segment may start at the earliest, for the queue alone.
func (s *simulation) gate() int64 {
	q := s.p.opt.Queue
	switch before := len(s.table.Placements) - q.Places; {
	case before >= 0:
		return s.table.Placements[before].End + q.Ahead
	case len(s.handed) > 0:
		return s.handed[before+len(s.handed)] + q.Ahead
	}
	return 0
}

// rejectQueue finds that the queue has fewer places than all segments need.
func (p *problem) rejectQueue() *Witness {
	q, n := p.opt.Queue, int64(0)
	for i := range p.jobs {
		n += int64(len(p.jobs[i].Costs))
	}
	if !q.Limits() || q.Ahead > maxTime/max(n, 1) || p.h > maxTime/int64(q.Places) {
		return nil // the numbers are of no bus
	}
	need, have := saturated(p.total(), n*q.Ahead), int64(q.Places)*p.h
	if need <= have {
		return nil
	}
	return &Witness{
		Message: fmt.Sprintf("the queue of the bus takes %d segments, each %s ahead, so that of those of %s on "+
			"average it takes one every %s, but the tasks have one every %s", q.Places, p.opt.time(q.Ahead),
			p.opt.time(p.total()/n), p.opt.time(need/n/int64(q.Places)), p.opt.time(p.h/n)),
		Needed: need, Available: have,
	}
}

// retimed is a table with the same order of segments, each as early as the queue allows; false where that breaks a
// limit.
func (p *problem) retimed(t Table) (Table, bool) {
	order := newSearch(p).steps(t)
	out := Table{Hyperperiod: t.Hyperperiod, Placements: slices.Clone(t.Placements)}
	if !timeSteps(out.Placements, order, p.opt.Queue) {
		return Table{}, false
	}
	return out, p.opt.Queue.Check(out) == nil && Check(p.h, p.jobs, out) == nil
}

// spaced is the problem with a pause after every segment, long enough for the queue whatever the order. Deadlines and
// limits are later by that, as the pause after the last segment is none of the job's, but for the end of the cycle.
func (p *problem) spaced() *problem {
	q := p.opt.Queue
	pause := (q.Ahead + int64(q.Places) - 1) / int64(q.Places)
	jobs := slices.Clone(p.jobs)
	for i := range jobs {
		j := &jobs[i]
		j.Deadline = min(j.Deadline+pause, p.h)
		j.Costs, j.Within = slices.Clone(j.Costs), slices.Clone(j.Within)
		for n := range j.Costs {
			j.Costs[n] += pause
			if j.Within != nil && j.Within[n] > 0 {
				j.Within[n] += pause
			}
		}
	}
	opt := p.opt
	opt.Queue = Queue{}
	return newProblem(p.names, p.h, jobs, opt)
}

// searchedQueued looks for a table beside the queue where EDF found none: as the search without a queue left one, and
// with pauses.
func (p *problem) searchedQueued(plain Table, verdict Verdict) (Table, bool) {
	if verdict == Feasible {
		if t, ok := p.retimed(plain); ok {
			return t, true
		}
	}
	s := p.spaced()
	if w, _ := s.reject(); w != nil {
		return Table{}, false
	}
	t, found := s.search(p.opt.states())
	p.visited += s.visited
	if found != Feasible {
		return Table{}, false
	}
	pause := s.jobs[0].Costs[0] - p.jobs[0].Costs[0]
	for i := range t.Placements {
		t.Placements[i].End -= pause
	}
	return t, p.opt.Queue.Check(t) == nil && Check(p.h, p.jobs, t) == nil
}
