package campaign

import (
	"testing"
	"time"
)

// recovery is how far behind the timetable a daemon may still be once faults have ended. It follows from the timetable,
// and nothing of it is chosen: what the faults have cost in bus time is worked off in the part of it that the timetable
// leaves idle, which may be a hundredth. A table with no idle time at all keeps its lag for ever.
type recovery struct {
	// settling is how long it takes until nothing adds to the lag any more, and it falls from one hyperperiod to the
	// next: a job that is open is given up or ends, which takes a hyperperiod; registers are restored at the latest
	// when the next one begins; jobs that were refused until then have been released by the end of the one after, and
	// idle time may come only at the end of a fourth. A remote executor that was lost is noticed within its lease,
	// found again, and given work ahead.
	settling time.Duration
	lag      time.Duration // at most, then
	idle     float64       // share of the bus time
	// hyperperiod is that of the timetable that all this follows from.
	hyperperiod time.Duration
}

// recoveryOf is that of a life whose faults have ended.
func (o *outcome) recoveryOf(l *life) recovery {
	s := l.disp.Snapshot()
	table := s.Plan.GetTimetable()
	initialization := 2 * time.Duration(table.GetInitializationNs())
	r := recovery{
		settling:    4*time.Duration(table.GetHyperperiodNs()) + initialization + begin,
		idle:        max(1-s.PlannedUtil, 0),
		hyperperiod: time.Duration(table.GetHyperperiodNs()),
	}
	for _, hit := range l.bus.struckSoFar() {
		switch hit.fault.kind {
		case slowBus, hostStall, scramble: // longer than planned
			r.lag += hit.till.Sub(hit.at)
		case overload:
			r.lag = maxLag
		}
	}
	r.lag = min(r.lag, maxLag) // what is further behind is refused
	r.lag += initialization
	if o.s.remote != nil {
		r.settling += 3*o.s.remote.Limits.Lease + 100*time.Millisecond
	}
	if o.s.boarded {
		r.settling += settlingOfBoard(len(table.GetSegments()))
	}
	return r
}

// allowed is the lag that may be left some time after the last fault.
func (r *recovery) allowed(after time.Duration) time.Duration {
	return max(r.lag-time.Duration(r.idle*float64(max(after-r.settling, 0))), 0)
}

// watched is how long after the last fault no lag is left; where that takes too long, how long it is watched.
func (r *recovery) watched() time.Duration {
	drain := longestDrain
	if r.idle > 0 && float64(r.lag) < r.idle*float64(drain) {
		drain = time.Duration(float64(r.lag) / r.idle)
	}
	return r.settling + drain
}

// waits is how long a change waits at most once the one before it has taken effect, where none of the faults is left: a
// timetable that was made since may have a longer hyperperiod, and the change finds an instant between its releases.
func (r *recovery) waits(hyperperiod time.Duration) time.Duration {
	return r.watched() + 4*max(hyperperiod-r.hyperperiod, 0)
}

// TestChangesWaitForTheTimetableBefore: a change has the time that the timetable before it asks for, which may have
// taken effect after the faults, and no less than that of the faults.
func TestChangesWaitForTheTimetableBefore(t *testing.T) {
	const h = 60 * time.Millisecond
	r := recovery{settling: 5 * h, lag: h, idle: 0.5, hyperperiod: h}
	for before, want := range map[time.Duration]time.Duration{0: 7 * h, h / 2: 7 * h, h: 7 * h, 4 * h: 19 * h} {
		if got := r.waits(before); got != want {
			t.Errorf("behind a timetable with a hyperperiod of %v a change waits %v, want %v", before, got, want)
		}
	}
}

// leftAtEnd is the lag that may be left when a life was asked to end, of what was to end by then.
func (o *outcome) leftAtEnd(l *life) time.Duration {
	return o.recovery.allowed(l.finish.Elapsed() - o.calm - o.recovery.lag)
}
