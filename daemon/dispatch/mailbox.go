package dispatch

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"facetd.example/bus"
	"facetd.example/chipmodel/bustime"
	"facetd.example/daemon/failure"
)

// maxWaiting limits the on-demand jobs that wait for a gap.
const maxWaiting = 64

// mailbox is what callers hand in for the runner. Nobody is called while its lock is held. What is handed in:
//   - on-demand jobs, in order: maxWaiting wait at most, more are refused at once, so that the caller sees it;
//   - one change of the tasks: further ones wait with their callers, in Dispatcher.changing;
//   - watchers: one for each caller of Alive, limited by the callers; all are answered by the next step, or in the
//     middle of a long one;
//   - a resync: asked for twice before it is noticed, it is one;
//   - a loss of the bus: of several before they are noticed, the last;
//   - a safe stop, which is latched: further ones are added to it. One request to resume it: more are refused.
//
// Once ended, it takes nothing more and answers with the cause.
type mailbox struct {
	mu       sync.Mutex
	waiting  []*onDemand
	running  map[*onDemand]bool // taken out to be run
	lastEnd  bus.Time           // of those that were, as planned
	change   *change
	watchers []chan struct{} // closed by the runner's next step, or in the middle of a long one
	resync   bool
	lost     error              // why the bus was lost; nil when it was not
	news     bool               // something came in since the runner's last step began
	wake     context.CancelFunc // ends the runner's wait; nil while it works
	ended    error
	latch    latch
}

// arrived wakes the runner. The caller holds mu.
func (m *mailbox) arrived() {
	m.news = true
	if m.wake != nil {
		m.wake()
	}
}

// putJob queues an on-demand job. Errors: *failure.Exhausted, the cause of the end.
func (m *mailbox) putJob(one *onDemand) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	switch {
	case m.ended != nil:
		return m.ended
	case m.refuseStopped(one) != nil:
		return m.refuseStopped(one)
	case len(m.waiting) >= maxWaiting:
		return &failure.Exhausted{Message: fmt.Sprintf("%d on-demand jobs wait for a gap already; try again later",
			len(m.waiting))}
	}
	m.waiting = append(m.waiting, one)
	m.arrived()
	return nil
}

// jobs returns the on-demand jobs that wait, oldest first.
func (m *mailbox) jobs() []*onDemand {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.waiting)
}

// hasJobs reports whether an on-demand job waits.
func (m *mailbox) hasJobs() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.waiting) > 0
}

// takeJob takes an on-demand job out, and reports false where it does not wait any more.
func (m *mailbox) takeJob(one *onDemand) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	i := slices.Index(m.waiting, one)
	if i < 0 {
		return false
	}
	m.waiting = slices.Delete(m.waiting, i, i+1)
	return true
}

// takeToRun is takeJob for a job that ends at a bus time, and counts among those that run until ran or putBack is
// called.
func (m *mailbox) takeToRun(one *onDemand, end bus.Time) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	i := slices.Index(m.waiting, one)
	if i < 0 {
		return false
	}
	m.waiting = slices.Delete(m.waiting, i, i+1)
	if m.running == nil {
		m.running = map[*onDemand]bool{}
	}
	m.running[one] = true
	m.lastEnd = max(m.lastEnd, end)
	return true
}

// ran says that an on-demand job runs no more.
func (m *mailbox) ran(one *onDemand) {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.running, one)
}

// ahead returns the on-demand jobs that wait, oldest first, how many run, and when the last of those ends that run or
// have run.
func (m *mailbox) ahead() (waiting []*onDemand, running int, until bus.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.waiting), len(m.running), m.lastEnd
}

// takeFirst takes out the first on-demand job that waits, or nil.
func (m *mailbox) takeFirst() *onDemand {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.waiting) == 0 {
		return nil
	}
	one := m.waiting[0]
	m.waiting = slices.Delete(m.waiting, 0, 1)
	return one
}

// putBack puts an on-demand job that was taken out back in front of the others, or refuses it where a safe stop was
// latched meanwhile.
func (m *mailbox) putBack(one *onDemand) {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.running, one)
	if m.refuseStopped(one) != nil {
		next := *m.latch.stop
		next.OnDemandFailed++
		m.latch.stop = &next
		one.done <- onDemandDone{err: &SafeStopError{next}} // it has room for the one answer
		return
	}
	m.waiting = slices.Insert(m.waiting, 0, one)
}

// putChange hands over a change; the caller sees to it that none waits. Errors: the cause of the end.
func (m *mailbox) putChange(c *change) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.ended != nil {
		return m.ended
	}
	m.change = c
	m.arrived()
	return nil
}

// hasChange reports whether a change waits.
func (m *mailbox) hasChange() bool { return m.nextChange() != nil }

// nextChange is the change that waits, nil where none does.
func (m *mailbox) nextChange() *change {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.change
}

// putBackChange puts a change that was taken out back, and reports false where nothing is taken any more, or one for
// the safe stop, or its caller has gone away.
func (m *mailbox) putBackChange(c *change) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.ended != nil || m.change != nil || m.latch.resuming || c.gone {
		return false
	}
	m.change = c
	return true
}

// takeChange takes the change that waits, or nil. From then on it cannot be withdrawn, and must be answered or put
// back.
func (m *mailbox) takeChange() *change { return m.takeChangeBefore(bustime.Forever) }

// takeChangeBefore is takeChange for one that was asked for before a bus time.
func (m *mailbox) takeChangeBefore(at bus.Time) *change {
	m.mu.Lock()
	defer m.mu.Unlock()
	c := m.change
	if c == nil || c.asked >= at {
		return nil
	}
	m.change = nil
	return c
}

// withdrawChange takes a change back, and reports false where the runner was faster: it answers soon, as it cannot put
// the change back any more.
func (m *mailbox) withdrawChange(c *change) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.change != c {
		c.gone = true
		return false
	}
	m.change = nil
	return true
}

// watch has a channel closed by the runner's next step, in the middle of a long one, or by the end. Errors: the cause
// of the end.
func (m *mailbox) watch(begun chan struct{}) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.ended != nil {
		return m.ended
	}
	m.watchers = append(m.watchers, begun)
	m.arrived()
	return nil
}

func (m *mailbox) unwatch(begun chan struct{}) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.watchers = slices.DeleteFunc(m.watchers, func(c chan struct{}) bool { return c == begun })
}

func (m *mailbox) askResync() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.resync = true
	m.arrived()
}

// putLoss says that the bus was lost.
func (m *mailbox) putLoss(cause error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.lost = cause
	m.arrived()
}

// takeLoss takes out why the bus was lost; nil where it was not.
func (m *mailbox) takeLoss() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	lost := m.lost
	m.lost = nil
	return lost
}

// stepBegins answers the watchers, and returns whether a resync was asked for, and why the bus was lost, if so. The
// runner looks at everything else that waits after it, so that only what comes in from now on is news.
func (m *mailbox) stepBegins() (resync bool, lost error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.answerWatchers()
	resync, lost = m.resync, m.lost
	m.resync, m.lost, m.news = false, nil, false
	return resync, lost
}

// goesOn answers the watchers in the middle of a step, which may be a long one.
func (m *mailbox) goesOn() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.answerWatchers()
}

// answerWatchers is called with mu held.
func (m *mailbox) answerWatchers() {
	for _, c := range m.watchers {
		close(c)
	}
	m.watchers = nil
}

// armWake has wake called when something comes in, and reports whether the runner may wait: false when something
// has come in since its step began.
func (m *mailbox) armWake(wake context.CancelFunc) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.news {
		return false
	}
	m.wake = wake
	return true
}

func (m *mailbox) disarmWake() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.wake = nil
}

// end answers everyone who waits, now and later, with err, and says what became of the lines; a second end changes
// nothing.
func (m *mailbox) end(err error, lines LineRelease) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.ended == nil {
		m.ended = err
		m.endLatch(lines)
	}
	for _, one := range m.waiting {
		one.done <- onDemandDone{err: m.ended} // it has room for the one answer
	}
	m.waiting = nil
	m.answerWatchers()
	if m.change != nil {
		m.change.done <- changeDone{err: m.ended}
		m.change = nil
	}
}

// cause is why nothing is taken any more, or nil.
func (m *mailbox) cause() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.ended
}
