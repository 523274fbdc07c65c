package events

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/failure"
)

// ErrFull is the error of one subscriber too many. The caller may try again when
// another has left.
var ErrFull error = &failure.Exhausted{Message: fmt.Sprintf("there are %d streams of events already, which is the most",
	MaxSubscribers)}

// ErrLeft is the error of a subscription that its owner closed.
var ErrLeft = errors.New("the subscription was closed")

// Subscription is one subscriber's queue. One goroutine may read it; Close may be
// called from any.
type Subscription struct {
	journal *Journal
	filter  Filter
	wake    chan struct{}

	mu      sync.Mutex
	backlog []*facetdv1.Event // from before the subscription; not limited by the queue
	missed  uint64            // events before the backlog that were asked for and are not in memory
	waiting []*facetdv1.Event
	dropped uint64 // since the last event read
	lost    uint64 // since the beginning
	ended   error
}

// Subscribe adds a subscriber. With after it begins with the events in memory that
// have a higher number, without with the next event. Errors: ErrFull, *failure.Unavailable.
func (j *Journal) Subscribe(after *uint64, f Filter) (*Subscription, error) {
	s := &Subscription{journal: j, filter: f, wake: make(chan struct{}, 1)}
	j.mu.Lock()
	defer j.mu.Unlock()
	switch {
	case j.closed:
		return nil, &failure.Unavailable{Reason: "the journal is closed"}
	case len(j.subs) >= MaxSubscribers:
		return nil, ErrFull
	}
	if after != nil {
		if oldest := j.next - uint64(len(j.ring)); oldest > *after+1 {
			s.missed = oldest - *after - 1
		}
		for _, e := range j.ring {
			if e.GetSequence() > *after && f.Passes(e) {
				s.backlog = append(s.backlog, e)
			}
		}
		signal(s.wake)
	}
	j.subs = append(j.subs, s)
	return s, nil
}

// Missed is how many events after the position, whatever the filter, were no longer in memory when the subscription
// began.
func (s *Subscription) Missed() uint64 { return s.missed }

// Next waits for the next event and says how many were dropped before it. Nobody may
// change the event. Errors: ctx's, *failure.Unavailable once the journal was closed and
// everything that waited has been read, ErrLeft after Close.
func (s *Subscription) Next(ctx context.Context) (e *facetdv1.Event, dropped uint64, err error) {
	for {
		if e, dropped, err = s.take(); e != nil || err != nil {
			return e, dropped, err
		}
		select {
		case <-s.wake:
		case <-ctx.Done():
			return nil, 0, ctx.Err()
		}
	}
}

func (s *Subscription) take() (*facetdv1.Event, uint64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ended == ErrLeft {
		return nil, 0, ErrLeft
	}
	if len(s.backlog) > 0 {
		e := s.backlog[0]
		s.backlog = s.backlog[1:]
		return e, 0, nil
	}
	if len(s.waiting) == 0 {
		return nil, 0, s.ended
	}
	e, dropped := s.waiting[0], s.dropped
	s.waiting, s.dropped = slices.Delete(s.waiting, 0, 1), 0
	return e, dropped, nil
}

func (s *Subscription) put(e *facetdv1.Event) {
	if !s.filter.Passes(e) {
		return
	}
	s.mu.Lock()
	s.waiting = append(s.waiting, e)
	if len(s.waiting) > SubscriberQueue {
		s.waiting = slices.Delete(s.waiting, 0, 1)
		s.dropped++
		s.lost++
	}
	s.mu.Unlock()
	signal(s.wake)
}

// Close leaves the journal. Closing again changes nothing.
func (s *Subscription) Close() {
	j := s.journal
	j.mu.Lock()
	if i := slices.Index(j.subs, s); i >= 0 {
		j.subs = slices.Delete(j.subs, i, i+1)
		s.mu.Lock()
		j.stats.Dropped += s.lost
		j.stats.Abandoned += uint64(len(s.backlog) + len(s.waiting))
		s.mu.Unlock()
	}
	j.mu.Unlock()
	s.end(ErrLeft)
}

func (s *Subscription) end(err error) {
	s.mu.Lock()
	if s.ended == nil || err == ErrLeft {
		s.ended = err
	}
	s.mu.Unlock()
	signal(s.wake)
}

// cut shortens a text at a rune's start and says so; what is not UTF-8 would not
// survive protobuf or JSON.
func cut(s string, limit int) string {
	const more = " ..."
	if len(s) > limit {
		s = s[:limit-len(more)] + more
	}
	return strings.ToValidUTF8(s, "")
}
