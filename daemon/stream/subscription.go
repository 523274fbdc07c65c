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
	// Length of each task's queue under Queue, up to MaxQueue; 0 means DefaultQueue.
	Length int
	// MaxRateHz decimates each task to this many frame sets a second of bus time, as evenly
	// spread as its jobs allow; 0 means all.
	MaxRateHz float64
	// Corrected asks for corrected frames.
	Corrected bool
	// Name says whose stream it is.
	Name string
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
	// OfTask counts those among Dropped that are of the same task.
	OfTask uint64
	// DecimatedTotal counts the frame sets that Options.MaxRateHz left out since it
	// subscribed. They are not among the dropped.
	DecimatedTotal uint64

	look      func()                    // nil where the pixels are there
	corrected func() *facetdv1.FrameSet // nil for raw ones
}

// item is a frame set that waits, with the bytes of its pixels.
type item struct {
	set   *facetdv1.FrameSet
	bytes int
	// look gets its pixels; nil where they are there.
	look func()
	// corrected makes the corrected copy; nil where the subscriber wants none.
	corrected func() *facetdv1.FrameSet
}

// Subscription is one subscriber's queue. One goroutine may read it; Close may be
// called from any.
type Subscription struct {
	hub    *Hub
	filter filter
	policy Policy
	limit  int // frame sets of each task that may wait
	name   string
	// corrected asks for corrected frames.
	corrected bool

	wake chan struct{} // holds one token when there may be something new

	mu        sync.Mutex
	waiting   []item
	bytes     int
	decimate  decimator
	decimated uint64
	dropped   uint64
	reported  uint64            // of dropped, with the last message
	lost      map[string]uint64 // dropped since the last message, by task
	waits     map[string]int    // frame sets in waiting, by task
	taken     uint64            // by the reader
	ended     error
	delivering
}

func newSubscription(h *Hub, o Options) *Subscription {
	s := &Subscription{hub: h, filter: newFilter(o), policy: o.Policy, corrected: o.Corrected, name: o.Name,
		wake: make(chan struct{}, 1), decimate: newDecimator(o.MaxRateHz),
		lost: map[string]uint64{}, waits: map[string]int{}}
	switch {
	case o.Policy == Latest:
		s.limit = 1
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
		if m, ok, err := s.Take(); ok || err != nil {
			return m, err
		}
		select {
		case <-s.wake:
		case <-ctx.Done():
			return Message{}, ctx.Err()
		}
	}
}

// Take returns the next frame set if there is one. The error is that of Next.
func (s *Subscription) Take() (Message, bool, error) {
	m, ok, err := s.take()
	if ok {
		if m.look != nil {
			m.look()
		}
		if m.corrected != nil {
			m.FrameSet = m.corrected()
		}
		m.FrameSet = s.filter.cut(m.FrameSet)
	}
	return m, ok, err
}

// Wake holds a token when Take may return something else than before, or the tasks have changed. It is for the one
// goroutine that reads.
func (s *Subscription) Wake() <-chan struct{} { return s.wake }

// Tasks counts the changes of the tasks that the hub was told of.
func (s *Subscription) Tasks() uint64 { return s.hub.tasks.Load() }

// Ended is the error with which Take ends once everything that waits is read, nil before the subscription has ended.
func (s *Subscription) Ended() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.ended
}

// Waits reports whether a frame set of the task waits.
func (s *Subscription) Waits(task string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.waits[task] > 0
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
	m := Message{FrameSet: first.set, look: first.look, corrected: first.corrected, Dropped: s.dropped - s.reported,
		DroppedTotal: s.dropped, DecimatedTotal: s.decimated, OfTask: s.lost[first.set.GetTask()]}
	s.reported = s.dropped
	delete(s.lost, first.set.GetTask())
	s.taken++
	s.rests = false
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
		s.lose(it.set.GetTask())
	} else {
		s.waiting = append(s.waiting, it)
		s.bytes += it.bytes
		s.waits[it.set.GetTask()]++
	}
	s.makeRoom(it.set)
	if s.asks {
		s.rests = false
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

func (s *Subscription) lose(task string) {
	s.dropped++
	if s.lost[task] == 0 && len(s.lost) >= MaxWaitingTasks {
		clear(s.lost) // names come and go with the tasks, and never wait again
	}
	s.lost[task]++
}

// makeRoom drops the oldest of the task of the newest frame set beyond the limit, of any task where there are more
// tasks than may wait, and of the task with most bytes beyond those that may wait; but never the newest, which under
// Latest may have taken the turn of an older one.
func (s *Subscription) makeRoom(newest *facetdv1.FrameSet) {
	for s.waits[newest.GetTask()] > s.limit {
		s.dropOldest(newest, newest.GetTask())
	}
	for len(s.waiting) > MaxWaitingTasks*s.limit {
		s.dropOldest(newest, "")
	}
	for s.bytes > MaxWaitingBytes && len(s.waiting) > 1 {
		s.dropOldest(newest, s.largest(newest))
	}
}

// largest is the task of which most bytes wait beside the newest frame set.
func (s *Subscription) largest(newest *facetdv1.FrameSet) (task string) {
	bytes, most := map[string]int{}, -1
	for _, w := range s.waiting {
		if w.set == newest {
			continue
		}
		bytes[w.set.GetTask()] += w.bytes
	}
	for _, w := range s.waiting { // in their order, so that equal ones are
		if b, has := bytes[w.set.GetTask()]; has && b > most {
			task, most = w.set.GetTask(), b
		}
	}
	return task
}

// dropOldest drops the oldest frame set of a task, or of any, but never the newest.
func (s *Subscription) dropOldest(newest *facetdv1.FrameSet, task string) {
	i := slices.IndexFunc(s.waiting, func(w item) bool {
		return w.set != newest && (task == "" || w.set.GetTask() == task)
	})
	s.lose(s.waiting[i].set.GetTask())
	s.left(s.waiting[i])
	s.waiting = slices.Delete(s.waiting, i, i+1)
}

func (s *Subscription) shift() item {
	first := s.waiting[0]
	s.waiting[0] = item{}     // it may go once it is sent
	s.waiting = s.waiting[1:] // append makes room again when the end is reached
	s.left(first)
	return first
}

// left accounts for an item that waits no more.
func (s *Subscription) left(it item) {
	s.bytes -= it.bytes
	task := it.set.GetTask()
	if s.waits[task]--; s.waits[task] == 0 {
		delete(s.waits, task)
	}
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
