package metrics

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/rate"
)

// taskState is what is known of a task in the timetable beside its counts. The
// metrics' mu guards it.
type taskState struct {
	rate rate.Window
	// last is when a complete frame set ended, by the host's monotonic clock; before the first,
	// when the task came.
	last time.Time
	// Of jobs released under the active timetable, where any has completed. What was released before it took effect
	// had to wait for its initialization, and is no sign of times that are wrong.
	since                 bus.Time
	any                   bool
	worstNS, leastSlackNS int64
}

// ended notes a completed job.
func (s *taskState) ended(fs *facetdv1.FrameSet, now time.Time) {
	s.rate.Add(bus.Time(fs.GetReleaseBusNs()))
	s.last = now
	if bus.Time(fs.GetReleaseBusNs()) < s.since {
		return
	}
	response := fs.GetFinishBusNs() - fs.GetReleaseBusNs()
	slack := fs.GetDeadlineBusNs() - fs.GetFinishBusNs()
	if !s.any {
		s.any, s.worstNS, s.leastSlackNS = true, response, slack
	}
	s.worstNS, s.leastSlackNS = max(s.worstNS, response), min(s.leastSlackNS, slack)
}

// restart is a new timetable.
func (s *taskState) restart(epoch bus.Time) {
	s.rate.Restart(epoch)
	s.since, s.any = epoch, false
}

// pausing begins anew when the task is paused or resumed: a pause is no stall.
func (s *taskState) pausing(at bus.Time, now time.Time) {
	s.rate = rate.Window{}
	s.rate.Restart(at)
	s.last = now
}

// seen is a task as a scrape sees it.
type seen struct {
	achievedHz   float64
	age          time.Duration
	any          bool
	worst, least time.Duration
}

// look returns the state of a task at a bus time; false where it is in no timetable.
func (m *Metrics) look(task string, now bus.Time) (seen, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	s := m.state[task]
	if s == nil {
		return seen{}, false
	}
	return seen{
		achievedHz: s.rate.Hertz(now), age: max(m.clock().Sub(s.last), 0),
		any: s.any, worst: time.Duration(s.worstNS), least: time.Duration(s.leastSlackNS),
	}, true
}
