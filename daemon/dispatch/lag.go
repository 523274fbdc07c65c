package dispatch

import (
	"time"

	"facetd.example/bus"
)

// Lag is how far the host has been behind the timetable since the start.
type Lag struct {
	// Worst is the most so far.
	Worst time.Duration
	// Times counts how often it passed Config.MaxLag.
	Times uint64
	// LeastSlack is how much later a segment could at least have been handed over without being refused; below 0 it is
	// by how much one came too late. bus.NoSlack while nothing could.
	LeastSlack time.Duration
}

// Behind reports that the host fell behind the timetable by more than Config.MaxLag, or has caught
// up since.
type Behind struct {
	// At is the bus time at which a segment was to begin or end when it was found.
	At bus.Time
	// By is how far the host is behind; once it has caught up, how far it was at most.
	By       time.Duration
	CaughtUp bool
	// Segments that were handed over later than that until the host had caught up. The bus refuses them.
	Segments int
}

// lagWatch measures how far the host is behind the timetable.
type lagWatch struct {
	// grace is the lag from before the first segment: a bus runs from the moment it is made,
	// while the daemon still comes up. What is left of it is not the host's.
	begun bool
	grace time.Duration

	behind   bool
	worst    time.Duration
	segments int

	seen Lag
}

// over reports whether what is due at a bus time comes later than a limit, if there is one.
func (l *lagWatch) over(now, due bus.Time, limit time.Duration) bool {
	return limit > 0 && now.Sub(due)-l.grace > limit
}

// handedOver notes how late something is handed over, whatever it is, as the bus does: what it has caught up of the
// allowance once is gone.
func (l *lagWatch) handedOver(now, due bus.Time) {
	by := max(now.Sub(due), 0)
	if !l.begun {
		l.begun, l.grace = true, by
	}
	l.grace = min(l.grace, by)
}

// note compares the bus time now with that at which a segment of the table begins or ends. It
// reports true with what is to be reported when the host falls behind by more than limit, unless
// that is 0, and when it has caught up.
func (l *lagWatch) note(now, planned bus.Time, begins bool, limit time.Duration) (Behind, bool) {
	l.handedOver(now, planned)
	by := max(now.Sub(planned), 0) - l.grace
	over := limit > 0 && by > limit
	starts, ends := over && !l.behind, !over && l.behind
	if starts {
		l.worst, l.segments = 0, 0
		l.seen.Times++
	}
	l.behind = over
	l.worst = max(l.worst, by)
	l.seen.Worst = max(l.seen.Worst, by)
	if over && begins {
		l.segments++
	}
	if ends {
		return Behind{At: planned, By: l.worst, CaughtUp: true, Segments: l.segments}, true
	}
	return Behind{At: planned, By: by}, starts
}
