package dispatch

import (
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/timetable"
)

// The queue of a bus far away has few places, and a segment has one from when it is handed over until its result is
// there. A table is made so that each of its segments finds one in time; see scheduler/timetable. What the runner puts
// in beside it, or begins later, keeps to the same rule by the times that are planned, not by when results come: those
// are as late as the host.

// queueOf is the queue of a bus in the planner's terms. What it is ahead can be divided among the places in whole
// grains.
func queueOf(a *chipmodel.Array, l bus.Limits) timetable.Queue {
	if l.LeastLead == 0 {
		return timetable.Queue{}
	}
	unit := a.Grain() * time.Duration(l.Queue)
	ahead := l.ResultLatency + leadOf(l)
	return timetable.Queue{Places: l.Queue, Ahead: int64((ahead + unit - 1) / unit * unit)}
}

// placeFrom is when one segment more may begin for the queue alone, behind those with such ends, in order.
func placeFrom(q timetable.Queue, ends []bus.Time) bus.Time {
	if !q.Limits() || len(ends) < q.Places {
		return 0
	}
	return ends[len(ends)-q.Places].Add(time.Duration(q.Ahead))
}

// queue is that of the bus.
func (r *runner) queue() timetable.Queue { return queueOf(r.cfg.Array, r.limits) }

// noteHanded notes the end of what was handed over last.
func (r *runner) noteHanded(end bus.Time) {
	if !r.remote() {
		return
	}
	if len(r.handed) == r.limits.Queue {
		r.handed = r.handed[:copy(r.handed, r.handed[1:])]
	}
	r.handed = append(r.handed, end)
}

// notRun notes that something handed over was not run, as it was recalled or came too late: its place is free. Handed
// over again it would count twice, and what is behind it would wait for places that are free.
func (r *runner) notRun(end bus.Time) {
	for i := len(r.handed) - 1; i >= 0; i-- {
		if r.handed[i] == end {
			r.handed = append(r.handed[:i], r.handed[i+1:]...)
			return
		}
	}
}

// following is the earliest start of something that is not of the table, behind all that was handed over.
func (r *runner) following(now bus.Time) bus.Time {
	return max(r.soonest(now), r.taken, placeFrom(r.queue(), r.handed))
}

// untilNext is when what is not of the table must have ended, for the next segment of it and for the queue. The table
// is not idle.
func (r *runner) untilNext() bus.Time {
	_, at := r.tab.upcoming()
	return r.notAfter(at)
}

// notAfter is when what is put in before the table goes on at a bus time must have ended, so that all that follows
// finds places in the queue; see scheduler.Idle. It is 0 where nothing may be put in. The table is not idle.
func (r *runner) notAfter(until bus.Time) bus.Time {
	q := r.tab.plan.Queue
	if !q.Limits() {
		return until
	}
	ahead := time.Duration(q.Ahead)
	ends := append([]bus.Time(nil), r.handed...)
	c := r.tab.ahead()
	for range q.Places - 1 {
		e, start := c.entry()
		if k := len(ends) - q.Places + 1; k >= 0 && start.Add(e.Start) < ends[k].Add(ahead) {
			return 0
		}
		ends = append(ends, start.Add(e.End))
		c.advance()
	}
	e, start := c.entry()
	return min(until, start.Add(e.Start-ahead))
}
