package stream

import (
	"context"
	"fmt"
	"slices"
	"sync"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Options say what a subscriber wants.
type Options struct {
	// Tasks by name; none means all, also those added later.
	Tasks []string
	// Chips by name; none means all. A frame set then holds only the frames of
	// these chips; one without any such frame is not for this subscriber, unless it
	// has no frames at all (a job that failed).
	Chips []string
	// Policy is Latest or Queue.
	Policy Policy
	// Length of the queue under Queue, up to MaxQueue; 0 means DefaultQueue.
	Length int
	// MaxRateHz decimates each task to this many frame sets a second of bus time, as evenly
	// spread as its jobs allow; 0 means all.
	MaxRateHz float64
	// Corrected asks for corrected frames.
	Corrected bool
}

func (o *Options) check() error {
	switch {
	case o.Policy >= numPolicies:
		return fmt.Errorf("there is no overflow policy %d", o.Policy)
	case o.Length < 0 || o.Length > MaxQueue:
		return fmt.Errorf("a queue of %d frame sets is not possible; use 1 to %d", o.Length, MaxQueue)
	case !(o.MaxRateHz >= 0 && o.MaxRateHz <= MaxRateHz): // NaN is neither
		return fmt.Errorf("at most %v frame sets a second is not possible; use 0 (all) to %g", o.MaxRateHz,
			float64(MaxRateHz))
	}
	return nil
}

// Message is one frame set, and what was lost before it.
type Message struct {
	FrameSet *facetdv1.FrameSet
	// Dropped counts the frame sets that this subscriber lost since the message
	// before; DroppedTotal since it subscribed.
	Dropped, DroppedTotal uint64
	// DecimatedTotal counts the frame sets that Options.MaxRateHz left out since it
	// subscribed. They are not among the dropped.
	DecimatedTotal uint64

	corrected func() *facetdv1.FrameSet // nil for raw ones
}

// item is a frame set that waits, with the bytes of its pixels.
type item struct {
	set   *facetdv1.FrameSet
	bytes int
	// corrected makes the corrected copy; nil where the subscriber wants none.
	corrected func() *facetdv1.FrameSet
}

// Subscription is one subscriber's queue. One goroutine may read it; Close may be
// called from any.
type Subscription struct {
	hub    *Hub
	filter filter
	policy Policy
	limit  int // frame sets that may wait
	// corrected asks for corrected frames.
	corrected bool

	wake chan struct{} // holds one token when there may be something new

	mu        sync.Mutex
	waiting   []item
	bytes     int
	decimate  decimator
	decimated uint64
	dropped   uint64
	reported  uint64 // of dropped, with the last message
	taken     uint64 // by the reader
	ended     error
}

func newSubscription(h *Hub, o Options) *Subscription {
	s := &Subscription{hub: h, filter: newFilter(o), policy: o.Policy, corrected: o.Corrected,
		wake: make(chan struct{}, 1), decimate: newDecimator(o.MaxRateHz)}
	switch {
	case o.Policy == Latest:
		s.limit = MaxWaitingTasks
	case o.Length == 0:
		s.limit = DefaultQueue
	default:
		s.limit = o.Length
	}
	return s
}

// Next waits for the next frame set. Errors: ctx's, *failure.Unavailable once the hub was
// closed and everything that waited has been read, ErrLeft after Close.
func (s *Subscription) Next(ctx context.Context) (Message, error) {
	for {
		if m, ok, err := s.take(); ok || err != nil {
			if m.corrected != nil {
				m.FrameSet = m.corrected()
			}
			m.FrameSet = s.filter.cut(m.FrameSet)
			return m, err
		}
		select {
		case <-s.wake:
		case <-ctx.Done():
			return Message{}, ctx.Err()
		}
	}
}

// Close leaves the hub. Closing again changes nothing.
func (s *Subscription) Close() { s.hub.remove(s) }

func (s *Subscription) take() (Message, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.waiting) == 0 || s.ended == ErrLeft {
		return Message{}, false, s.ended
	}
	first := s.shift()
	m := Message{FrameSet: first.set, corrected: first.corrected, Dropped: s.dropped - s.reported,
		DroppedTotal: s.dropped, DecimatedTotal: s.decimated}
	s.reported = s.dropped
	s.taken++
	s.hub.move()
	return m, true, nil
}

func (s *Subscription) flow() (waiting int, taken uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.waiting), s.taken
}

// put makes a frame set wait, at the cost of older ones where there is no room.
func (s *Subscription) put(it item) {
	s.mu.Lock()
	if s.ended != nil { // it was suspended, and its reader has not come to the end
		s.mu.Unlock()
		return
	}
	if !s.decimate.keeps(it.set) {
		s.decimated++
		s.mu.Unlock()
		return
	}
	if i := s.sameTask(it); i >= 0 {
		s.bytes += it.bytes - s.waiting[i].bytes
		s.waiting[i] = it
		s.dropped++
	} else {
		s.waiting = append(s.waiting, it)
		s.bytes += it.bytes
	}
	for len(s.waiting) > s.limit || s.bytes > MaxWaitingBytes && len(s.waiting) > 1 {
		s.dropOldest(it.set)
	}
	s.mu.Unlock()
	s.signal()
}

// sameTask is the place of the frame set that it replaces, or -1.
func (s *Subscription) sameTask(it item) int {
	if s.policy != Latest {
		return -1
	}
	return slices.IndexFunc(s.waiting, func(w item) bool { return w.set.GetTask() == it.set.GetTask() })
}

// dropOldest drops the frame set whose turn is next, but never the newest, which
// under Latest may have taken that turn.
func (s *Subscription) dropOldest(newest *facetdv1.FrameSet) {
	i := 0
	if s.waiting[0].set == newest {
		i = 1
	}
	s.bytes -= s.waiting[i].bytes
	s.waiting = slices.Delete(s.waiting, i, i+1)
	s.dropped++
}

func (s *Subscription) shift() item {
	first := s.waiting[0]
	s.waiting[0] = item{}     // it may go once it is sent
	s.waiting = s.waiting[1:] // append makes room again when the end is reached
	s.bytes -= first.bytes
	return first
}

func (s *Subscription) end(err error) {
	s.mu.Lock()
	if s.ended == nil || err == ErrLeft {
		s.ended = err
	}
	s.mu.Unlock()
	s.signal()
}

func (s *Subscription) signal() {
	select {
	case s.wake <- struct{}{}:
	default: // a token is there already
	}
}

func (s *Subscription) counts() (dropped uint64, waiting int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.dropped, len(s.waiting)
}

// leftOut is how many frame sets were left out to keep to MaxRateHz.
func (s *Subscription) leftOut() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.decimated
}
