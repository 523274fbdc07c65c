package dispatch

import (
	"context"
	"fmt"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/failure"
)

// maxReasons is how many requests for one safe stop are kept: the first ones and the last.
const maxReasons = 16

// StopReason is one request for a safe stop.
type StopReason struct {
	By, Reason string
	At         time.Time
	BusTime    bus.Time // 0 for one from before the daemon started
}

func (r StopReason) String() string {
	text := "by " + r.By
	if r.Reason != "" {
		text += fmt.Sprintf(" (%q)", r.Reason)
	}
	return text
}

// LineRelease is what became of the select lines at a safe stop; the zero value is that nobody knows yet.
type LineRelease struct {
	State facetdv1.LineState
	At    bus.Time // they were inactive, where that is confirmed
	Why   string   // it is not
}

// SafeStop is a safe stop that is latched.
type SafeStop struct {
	Reasons  []StopReason // the first one first; there is always one
	Requests uint64
	// Revision rises with every request, also from one stop to the next.
	Revision uint64
	Lines    LineRelease
	// JobsFailed were open, OnDemandFailed ran or waited.
	JobsFailed, OnDemandFailed uint64
}

// Text says who stopped the array, why, and since when.
func (s *SafeStop) Text() string {
	first := s.Reasons[0]
	text := fmt.Sprintf("stopped %v since %s", first, first.At.UTC().Format(time.RFC3339))
	if s.Requests > 1 {
		text += fmt.Sprintf(", and asked for %d times since, the last time %v", s.Requests-1,
			s.Reasons[len(s.Reasons)-1])
	}
	return text
}

// cause is why the jobs failed that were open.
func (s *SafeStop) cause() string { return fmt.Sprintf("safe stop %v", s.Reasons[0]) }

// SafeStopError says that nothing can be done with the bus: a safe stop is latched. The array must be resumed first.
type SafeStopError struct{ Stop SafeStop }

func (e *SafeStopError) Error() string {
	return "the array is " + e.Stop.Text() + "; when it is safe, resume it with 'facetctl resume'"
}

func (e *SafeStopError) Unwrap() error {
	return &failure.Precondition{Kind: failure.SafeStop, Subject: e.Stop.Reasons[0].By}
}

// latch is the part of a mailbox that holds a safe stop. A stop is latched as soon as it comes in, whatever the
// runner does; what became of the lines the runner says later. The mailbox's lock guards it.
type latch struct {
	stop     *SafeStop     // latched, or nil; replaced, never changed
	revision uint64        // of the last stop
	news     chan struct{} // closed when the lines are released for the stop
	resuming bool          // from when the runner begins to resume until the stop is over or stands again
	resume   *change       // asked for
	breakOff context.CancelFunc
	ended    LineRelease // at the end of the runner
}

// preset latches a stop from before the daemon started.
func (m *mailbox) preset(s *SafeStop) {
	if s != nil {
		m.latch.stop, m.latch.revision, m.latch.news = s, s.Revision, make(chan struct{})
	}
}

// stopFor latches a stop, or adds a reason to the one that is, and breaks off what runs on the bus. It returns the
// revision for which the lines are to be released, and what tells that they were. Whoever asks again with the same
// words counts once, but while the array is being resumed, which any request ends; where the lines were not confirmed
// they are released again.
func (m *mailbox) stopFor(r StopReason) (uint64, <-chan struct{}) {
	m.mu.Lock()
	defer m.mu.Unlock()
	l := &m.latch
	next := SafeStop{}
	if l.stop != nil {
		next = *l.stop
	}
	known := slices.ContainsFunc(next.Reasons, func(old StopReason) bool {
		return old.By == r.By && old.Reason == r.Reason
	})
	switch {
	case known && !l.resuming && next.Lines.State != facetdv1.LineState_LINE_STATE_NOT_CONFIRMED:
		return l.stop.Revision, l.news
	case !known || l.resuming:
		kept := min(len(next.Reasons), maxReasons-1)
		next.Reasons = append(slices.Clone(next.Reasons[:kept]), r)
		next.Requests++
	}
	next.Lines = LineRelease{}
	// Host time keeps the numbers rising from one process to the next.
	next.Revision = max(l.revision+1, uint64(max(r.At.UnixMicro(), 0)))
	m.refuseWaiting(&next)
	l.stop, l.revision = &next, next.Revision
	if l.news == nil || closed(l.news) { // else those who wait for the request before hear of this one
		l.news = make(chan struct{})
	}
	if m.ended != nil { // the runner has released them for good
		next.Lines = l.ended
		close(l.news)
	}
	if l.breakOff != nil {
		l.breakOff()
	}
	m.arrived()
	return next.Revision, l.news
}

func closed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// refuseWaiting answers the on-demand jobs that wait, but not functions: they drive nothing. The caller holds mu.
func (m *mailbox) refuseWaiting(s *SafeStop) {
	m.waiting = slices.DeleteFunc(m.waiting, func(one *onDemand) bool {
		if one.do != nil {
			return false
		}
		s.OnDemandFailed++
		one.done <- onDemandDone{err: &SafeStopError{*s}} // it has room for the one answer
		return true
	})
}

// stopped is the stop that is latched, or nil. Nobody may change it.
func (m *mailbox) stopped() *SafeStop {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.latch.stop
}

// armBreak has a stop that comes in end the running segment. One that came since the runner last looked, at the
// given revision, ends it at once.
func (m *mailbox) armBreak(seen uint64, breakOff context.CancelFunc) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.latch.breakOff = breakOff
	if m.latch.stop != nil && m.latch.stop.Revision != seen {
		breakOff()
	}
}

func (m *mailbox) disarmBreak() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.latch.breakOff = nil
}

// released says what became of the lines for a stop, and what failed with it.
func (m *mailbox) released(revision uint64, lines LineRelease, jobs, onDemands uint64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	l := &m.latch
	l.resuming = false
	if l.stop == nil {
		return
	}
	next := *l.stop
	next.JobsFailed += jobs
	next.OnDemandFailed += onDemands
	if next.Revision == revision { // another one is released next
		next.Lines = lines
		if !closed(l.news) {
			close(l.news)
		}
	}
	l.stop = &next
}

// putResume hands over a request to resume the stop of a revision; 0 is any. Errors: *failure.Precondition where
// nothing is stopped or the stop is another; *failure.InProgress; the cause of the end.
func (m *mailbox) putResume(revision uint64, c *change) (*SafeStop, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	l := &m.latch
	switch {
	case l.stop == nil:
		return nil, &failure.Precondition{Kind: failure.NotStopped, Subject: "array",
			Message: "the array is not stopped"}
	case revision != 0 && revision != l.stop.Revision:
		return nil, &failure.Precondition{Kind: failure.SafeStop, Subject: "array",
			Message: "somebody has asked for a stop meanwhile; see who and why, and resume when it is safe for them " +
				"too: " + l.stop.Text()}
	case m.ended != nil:
		return nil, m.ended
	case l.resume != nil || l.resuming:
		return nil, &failure.InProgress{Message: "the array is being resumed already"}
	}
	l.resume = c
	m.arrived()
	return l.stop, nil
}

// withdrawResume takes a request to resume back, and reports false where the runner was faster.
func (m *mailbox) withdrawResume(c *change) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.latch.resume != c {
		return false
	}
	m.latch.resume = nil
	return true
}

// takeResume takes the request to resume that waits, with the stop that it is about, or nil.
func (m *mailbox) takeResume() (*change, *SafeStop) {
	m.mu.Lock()
	defer m.mu.Unlock()
	c := m.latch.resume
	m.latch.resume = nil
	m.latch.resuming = c != nil
	return c, m.latch.stop
}

// unlatch ends the stop of a revision; a newer one stands.
func (m *mailbox) unlatch(revision uint64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if l := &m.latch; l.stop != nil && l.stop.Revision == revision {
		l.stop, l.resuming = nil, false
	}
}

// endLatch says what became of the lines when the runner ends. The caller holds mu and has set ended.
func (m *mailbox) endLatch(lines LineRelease) {
	l := &m.latch
	l.ended, l.resuming = lines, false
	if l.stop != nil {
		next := *l.stop
		next.Lines = lines
		l.stop = &next
		if !closed(l.news) {
			close(l.news)
		}
	}
	if l.resume != nil {
		l.resume.done <- changeDone{err: m.ended} // it has room for the one answer
		l.resume = nil
	}
}

// takeDo takes out the first function that waits, or nil.
func (m *mailbox) takeDo() *onDemand {
	m.mu.Lock()
	defer m.mu.Unlock()
	i := slices.IndexFunc(m.waiting, func(one *onDemand) bool { return one.do != nil })
	if i < 0 {
		return nil
	}
	one := m.waiting[i]
	m.waiting = slices.Delete(m.waiting, i, i+1)
	return one
}

// refuseStopped is the error of an on-demand job while a stop is latched. The caller holds mu.
func (m *mailbox) refuseStopped(one *onDemand) error {
	if m.latch.stop == nil || one.do != nil {
		return nil
	}
	return &SafeStopError{*m.latch.stop}
}
