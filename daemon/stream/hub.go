// Package stream fans finished frame sets out to subscribers without ever slowing
// the bus: what a slow reader loses is dropped by its policy, and counted.
//
// Every queue here has one limit in frame sets and one in bytes, and drops its
// oldest when either is reached:
//
//   - Latest: the newest frame set of each task waits. A newer one of the same task
//     takes the place of the older, in the older's turn, so that a fast task does not
//     starve a slow one.
//   - Queue: up to a number of frame sets of each task wait, in the order in which they
//     finished; a fast task takes no place of a slow one.
//
// In both, MaxWaitingBytes of pixels may wait, and what goes then is the oldest of the
// task of which most bytes wait; the newest set always does. Beside the queues the hub
// keeps the newest set of each active task, for those who ask now and then (Newest); a
// suspension forgets them.
package stream

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/failure"
)

const (
	// MaxSubscribers limits the work of Publish.
	MaxSubscribers = 256
	// MaxQueue is the longest queue of a subscriber, in frame sets.
	MaxQueue = 1024
	// DefaultQueue is the length of a queue where none is asked for.
	DefaultQueue = 16
	// MaxWaitingTasks is how many tasks may have a frame set waiting under Latest.
	MaxWaitingTasks = 256
	// MaxWaitingBytes limits the pixels that wait for one subscriber.
	MaxWaitingBytes = 256 << 20
)

// ErrFull is the error of one subscriber too many. The caller may try again when
// another has left.
var ErrFull error = &failure.Exhausted{Message: fmt.Sprintf("there are %d streams already, which is the most",
	MaxSubscribers)}

// ErrLeft is the error of a subscription that its owner closed.
var ErrLeft = errors.New("the subscription was closed")

// Policy is what happens to frame sets that a subscriber has not read yet.
type Policy uint8

// The policies.
const (
	Latest Policy = iota
	Queue
	numPolicies
)

func (p Policy) String() string { return [...]string{"latest", "queue"}[p] }

// Stats counts over all subscribers since the hub was made.
type Stats struct {
	// Open is how many subscribers there are now.
	Open int
	// Dropped counts frame sets dropped by policy, once for each subscriber that
	// lost one.
	Dropped [numPolicies]uint64
	// Decimated counts frame sets that subscribers asked to be left out by
	// Options.MaxRateHz, once for each subscriber.
	Decimated uint64
	// Abandoned counts frame sets that still waited when their subscriber left.
	Abandoned uint64
}

// DroppedTotal is Dropped over all policies.
func (s Stats) DroppedTotal() uint64 {
	var sum uint64
	for _, n := range s.Dropped {
		sum += n
	}
	return sum
}

// Hub hands frame sets to subscribers. Its methods may be called from any
// goroutine.
type Hub struct {
	mu     sync.Mutex
	subs   []*Subscription
	left   Stats // counts of subscribers that have left
	closed error
	// suspended is why no subscriber is taken for now, nil where they are.
	suspended error
	// corrector makes corrected copies for those who want them; nil makes none.
	corrector Corrector
	newest    newest
	// moved holds one token when a queue was read, or somebody came or left.
	moved   chan struct{}
	watched atomic.Bool // somebody wants to know
	// tasks counts the changes of the tasks.
	tasks atomic.Uint64
	rests rester
}

// NewHub returns a hub without subscribers.
func NewHub() *Hub {
	return &Hub{moved: make(chan struct{}, 1), newest: newest{sets: map[string]item{},
		asked: map[string]int{}}}
}

// Moved is signalled, from the first call on, when a queue was read and when a subscriber came or
// left; several such events may be one signal. It is for tests that let the bus wait for its
// readers; one goroutine may receive from it.
func (h *Hub) Moved() <-chan struct{} {
	h.watched.Store(true)
	return h.moved
}

func (h *Hub) move() {
	if !h.watched.Load() {
		return
	}
	select {
	case h.moved <- struct{}{}:
	default: // a token is there already
	}
}

// Flow reports how many subscribers there are now, how many frame sets wait for them,
// and how many they have taken, which is not yet to say that they have arrived.
func (h *Hub) Flow() (open, waiting int, taken uint64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, s := range h.subs {
		w, t := s.flow()
		waiting += w
		taken += t
	}
	return len(h.subs), waiting, taken
}

// Publish offers a frame set to every subscriber. It never waits for one: it holds locks only while
// it puts a pointer into each one's queue. The frame set must not be changed afterwards. On-demand
// captures (no task) are not for streams: they go to their caller.
func (h *Hub) Publish(fs *facetdv1.FrameSet) { h.PublishLater(fs, nil) }

// PublishLater is Publish for a frame set whose pixels are there once look, if it is not nil, has returned. It is
// called, more than once perhaps, on the goroutine of each who takes the frame set.
func (h *Hub) PublishLater(fs *facetdv1.FrameSet, look func()) {
	if fs.GetTask() == "" {
		return
	}
	size := 0
	for _, f := range fs.GetFrames() {
		if look == nil {
			size += len(f.GetData())
		} else { // their data may not be there yet
			size += 2 * int(f.GetRows()) * int(f.GetColumns())
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed != nil {
		return
	}
	h.newest.published(fs.GetTask())
	corrected := h.correctedOnce(fs)
	if h.suspended == nil {
		h.newest.put(item{fs, size, look, corrected})
	}
	for _, s := range h.subs {
		if s.filter.wants(fs) {
			s.put(item{fs, size, look, s.correctedOf(corrected)})
		}
	}
}

// Subscribe adds a subscriber, which sees every frame set published from now on.
// Close it when done. Errors: ErrFull, *failure.Unavailable, and what is wrong with the
// options.
func (h *Hub) Subscribe(o Options) (*Subscription, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.closed != nil:
		return nil, h.closed
	case h.suspended != nil:
		return nil, h.suspended
	case len(h.subs) >= MaxSubscribers:
		return nil, ErrFull
	}
	s := newSubscription(h, o)
	h.subs = append(h.subs, s)
	h.move()
	return s, nil
}

// Close ends every subscription with a reason, and refuses new ones. Frame sets
// that wait are still handed out first. Closing again changes nothing.
func (h *Hub) Close(reason string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed != nil {
		return
	}
	h.closed = &failure.Unavailable{Reason: reason}
	h.newest.changed()
	h.move()
	for _, s := range h.subs {
		s.end(h.closed)
	}
}

// Suspend ends every subscription with a reason, and refuses new ones with it until Restore. Frame sets that wait are
// still handed out first. The newest sets are forgotten, and none is kept until Restore: whoever asks then gets what
// came after it.
func (h *Hub) Suspend(why error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.suspended = why
	clear(h.newest.sets)
	h.newest.changed()
	h.move()
	for _, s := range h.subs {
		s.end(why)
	}
}

// Restore takes subscriptions again after Suspend.
func (h *Hub) Restore() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.suspended = nil
}

// Stats returns the counts until now.
func (h *Hub) Stats() Stats {
	h.mu.Lock()
	defer h.mu.Unlock()
	sum := h.left
	sum.Open = len(h.subs)
	for _, s := range h.subs {
		dropped, _ := s.counts()
		sum.Dropped[s.policy] += dropped
		sum.Decimated += s.leftOut()
	}
	return sum
}

// remove takes a subscriber out and keeps its counts.
func (h *Hub) remove(s *Subscription) {
	h.mu.Lock()
	defer h.mu.Unlock()
	i := slices.Index(h.subs, s)
	if i < 0 {
		return
	}
	h.subs = slices.Delete(h.subs, i, i+1)
	s.end(ErrLeft)
	dropped, waiting := s.counts()
	h.left.Dropped[s.policy] += dropped
	h.left.Decimated += s.leftOut()
	h.left.Abandoned += uint64(waiting)
	h.move()
	h.rests.signal()
}
