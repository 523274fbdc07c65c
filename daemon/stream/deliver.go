package stream

import (
	"context"
	"slices"
	"sync"
)

// delivering is what a reader says of itself by Rest.
type delivering struct {
	told   bool // it has ever said it
	rests  bool
	asks   bool // for another frame set, as it rests
	passed bool // it is not waited for until it rests again
}

// rester wakes who waits for readers to rest.
type rester struct {
	mu   sync.Mutex
	came chan struct{} // closed when a reader rests or leaves; nil when nobody waits
}

// wait returns a channel that is closed with the next signal.
func (r *rester) wait() <-chan struct{} {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.came == nil {
		r.came = make(chan struct{})
	}
	return r.came
}

func (r *rester) signal() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.came != nil {
		close(r.came)
		r.came = nil
	}
}

// Rest says that the reader has handed on all that it took, and waits: for another frame set, where it asks for one,
// or to be asked itself. The next frame set that it takes, or that comes while it asks, ends the rest.
func (s *Subscription) Rest(asks bool) {
	s.mu.Lock()
	s.delivering = delivering{told: true, rests: !asks || len(s.waiting) == 0, asks: asks}
	s.mu.Unlock()
	s.hub.rests.signal()
}

// busy reports whether the reader has something to hand on.
func (s *Subscription) busy() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.delivering.told && !s.delivering.rests && !s.delivering.passed && s.ended == nil
}

// Delivered waits until every reader that says when it rests does, so that all it asked for has been handed on. Errors:
// ctx's.
func (h *Hub) Delivered(ctx context.Context) error {
	for {
		came := h.rests.wait() // before the look: nothing that comes later is missed
		if len(h.busy()) == 0 {
			return nil
		}
		select {
		case <-came:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// Pass has nobody wait for the readers that do not rest, until they rest again, and returns their names.
func (h *Hub) Pass() (unread []string) {
	for _, s := range h.busy() {
		s.mu.Lock()
		if s.delivering.passed = !s.delivering.rests; s.delivering.passed {
			unread = append(unread, s.name)
		}
		s.mu.Unlock()
	}
	if len(unread) > 0 {
		h.rests.signal()
	}
	return unread
}

func (h *Hub) busy() []*Subscription {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(h.subs), func(s *Subscription) bool { return !s.busy() })
}
