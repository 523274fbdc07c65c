package facet

import (
	"context"
	"slices"
	"sync"
)

// mailbox keeps the newest frame set of each task until it is taken. A newer one takes the
// place and the turn of the older, which is counted in its gap.
type mailbox struct {
	numbered bool          // job numbers tell what is missing
	wake     chan struct{} // one token when there may be something new

	mu      sync.Mutex
	waiting []*FrameSet
	err     error // the end, once what waits is taken
}

func newMailbox(numbered bool) *mailbox {
	return &mailbox{numbered: numbered, wake: make(chan struct{}, 1)}
}

// fill puts in what next returns, until its first error, and then ends the stream.
func (m *mailbox) fill(next func() (*FrameSet, error), end func()) {
	defer end() // after the error is there, which says more than a context that ended
	for {
		set, err := next()
		m.put(set, err)
		if err != nil {
			return
		}
	}
}

func (m *mailbox) put(set *FrameSet, err error) {
	m.mu.Lock()
	switch {
	case err != nil:
		m.err = err
	default:
		i := slices.IndexFunc(m.waiting, func(w *FrameSet) bool { return w.Task() == set.Task() })
		if i < 0 {
			m.waiting = append(m.waiting, set)
			break
		}
		set.Gap = set.Gap.add(m.waiting[i].Gap, m.numbered)
		m.waiting[i] = set
	}
	m.mu.Unlock()
	select {
	case m.wake <- struct{}{}:
	default: // a token is there already
	}
}

// take waits for a frame set. What waits when ctx ends is not handed out any more.
func (m *mailbox) take(ctx context.Context) (*FrameSet, error) {
	for {
		if err := ctx.Err(); err != nil {
			m.mu.Lock()
			defer m.mu.Unlock()
			if m.err != nil { // the cause, where it was not the reader who closed
				return nil, m.err
			}
			return nil, err
		}
		m.mu.Lock()
		if len(m.waiting) > 0 {
			set := m.waiting[0]
			m.waiting = slices.Delete(m.waiting, 0, 1)
			m.mu.Unlock()
			return set, nil
		}
		err := m.err
		m.mu.Unlock()
		if err != nil {
			return nil, err
		}
		select {
		case <-m.wake:
		case <-ctx.Done():
		}
	}
}
