package facet

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// silences is after how many heartbeat intervals without a word a connection counts as broken.
const silences = 3

// Subscription is an open stream. The daemon sends a frame set only when Next asks for one, so
// that nothing old waits in between. Next is for one goroutine; Close may be called from any.
type Subscription struct {
	client    *Client
	start     *facetdv1.FollowStart
	retry     Retry
	heartbeat time.Duration
	ctx       context.Context
	cancel    context.CancelFunc
	stream    facetdv1.FrameService_FollowFrameSetsClient
	stop      context.CancelFunc // of stream
	granted   bool               // a frame set, which has not come

	identity *facetdv1.Identity // of the daemon, as it was last
	places   map[string]place   // by task
	pending  Gap                // of connections; what belongs to no frame set yet
}

// place is how far the stream has come with a task, and what belongs to its next frame set.
type place struct {
	generation uint64
	next       uint64 // job that would follow on what was received, or else on the beginning of the stream
	known      bool   // next is
	missing    uint64 // while there was no connection
	replaced   bool
	restarted  bool
}

// Subscribe opens a stream, and returns once the daemon has it: what finishes from then
// on is received or counted as lost. Close it when done. The first connection is not
// tried again: the error says what is wrong.
func (c *Client) Subscribe(ctx context.Context, o StreamOptions) (*Subscription, error) {
	if o.Queue < 0 || o.Queue > 1024 {
		return nil, fmt.Errorf("a queue of %d frame sets is not possible; use 0 to 1024", o.Queue)
	}
	start := &facetdv1.FollowStart{Overflow: facetdv1.Overflow_OVERFLOW_LATEST, MaxRateHz: o.MaxRateHz,
		Selection: &facetdv1.FrameSelection{Tasks: o.Tasks, Chips: o.Chips, Codes: codesOf(o.Corrected, o.Square)}}
	if o.Queue > 0 {
		start.Overflow, start.QueueLength = facetdv1.Overflow_OVERFLOW_QUEUE, uint32(o.Queue)
	}
	if o.Heartbeat == 0 {
		o.Heartbeat = time.Second
	}
	start.HeartbeatInterval = durationpb.New(o.Heartbeat)
	if o.Retry.First <= 0 {
		o.Retry.First = 100 * time.Millisecond
	}
	if o.Retry.Longest <= 0 {
		o.Retry.Longest = 500 * time.Millisecond
	}
	s := &Subscription{client: c, start: start, retry: o.Retry, heartbeat: o.Heartbeat, places: map[string]place{}}
	s.ctx, s.cancel = context.WithCancel(ctx)
	if err := s.open(); err != nil {
		s.cancel()
		return nil, err
	}
	return s, nil
}

// Daemon is which daemon, and which run of it, the stream is of.
func (s *Subscription) Daemon() *facetdv1.Identity { return s.identity }

// open opens the stream where the one before ended, and waits until the daemon has subscribed it.
func (s *Subscription) open() error {
	ctx, stop := context.WithCancel(s.ctx)
	s.start.InstanceId, s.start.After = s.identity.GetInstanceId(), nil
	for task, p := range s.places {
		if p.next > 0 {
			s.start.After = append(s.start.After, &facetdv1.TaskPosition{Task: task, Generation: p.generation,
				Job: p.next - 1})
		}
	}
	stream, err := s.client.frames.FollowFrameSets(ctx)
	if err == nil {
		// An error of sending is told by receiving.
		_ = stream.Send(&facetdv1.FollowFrameSetsRequest{
			Request: &facetdv1.FollowFrameSetsRequest_Start{Start: s.start}})
		s.stream, s.stop, s.granted = stream, stop, false
		var m *facetdv1.FollowFrameSetsResponse
		if m, err = s.hear(); err == nil {
			s.begun(m.GetBegun())
			return nil
		}
	}
	stop()
	return err
}

// begun compares what the stream is of with what was received before.
func (s *Subscription) begun(b *facetdv1.FollowBegun) {
	anew := s.identity != nil && !b.GetSameInstance()
	before := s.places
	s.identity, s.places = b.GetIdentity(), map[string]place{}
	for _, t := range b.GetTasks() {
		was, seen := before[t.GetTask()]
		delete(before, t.GetTask())
		now := place{generation: t.GetGeneration(), next: t.GetNextJob(), known: t.NextJob != nil,
			restarted: anew || was.restarted}
		switch {
		case anew || !seen:
		case was.generation != t.GetGeneration():
			now.replaced = true
		case t.GetResumed():
			now = was
			now.missing = t.GetMissed() // since the last that was received, however many connections ago
		default: // nothing of it had ended when the stream began
			now = was
			if was.known {
				now.missing = t.GetJobsEnded()
			}
		}
		s.places[t.GetTask()] = now
	}
	for task, was := range before { // should there be others of these names
		s.places[task] = place{generation: was.generation, replaced: !anew, restarted: anew || was.restarted}
	}
	if anew && len(s.places) == 0 {
		s.pending.Restarted = true
	}
}

// hear receives the next message, and gives the connection up when the daemon is silent for too long.
func (s *Subscription) hear() (*facetdv1.FollowFrameSetsResponse, error) {
	silent := time.AfterFunc(silences*s.heartbeat, s.stop)
	m, err := s.stream.Recv()
	if !silent.Stop() && s.ctx.Err() == nil && err != nil {
		return nil, &Error{Code: codes.Unavailable, Message: fmt.Sprintf("nothing was heard of the daemon for %v",
			silences*s.heartbeat), cause: err}
	}
	if errors.Is(err, io.EOF) {
		err = &Error{Code: codes.Unavailable, Message: "the daemon ended the stream", cause: err}
	}
	return m, err
}

// Close ends the stream. Closing again changes nothing.
func (s *Subscription) Close() { s.cancel() }

// Next asks for the next frame set and waits for it. Errors: ctx's of Subscribe, *Error, or that
// a frame is invalid. After an error the stream has ended.
func (s *Subscription) Next() (*FrameSet, error) {
	set, err := s.next()
	if err != nil {
		s.cancel()
	}
	return set, err
}

func (s *Subscription) next() (*FrameSet, error) {
	for {
		m, err := s.event()
		switch {
		case err != nil && s.ctx.Err() != nil:
			return nil, s.ctx.Err()
		case err != nil && (s.retry.Off || !lost(err)):
			return nil, err
		case err != nil:
			if err := s.reopen(err); err != nil {
				return nil, err
			}
		case m.GetDelivery() != nil:
			s.granted = false
			return s.take(m.GetDelivery())
		case m.GetTaskNotice() != nil:
			s.notice(m.GetTaskNotice())
		}
	}
}

// event grants a frame set, unless one is granted already, and receives what happens next.
func (s *Subscription) event() (*facetdv1.FollowFrameSetsResponse, error) {
	if !s.granted {
		s.granted = true
		// An error of sending is told by receiving.
		_ = s.stream.Send(&facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Grant{
			Grant: &facetdv1.FollowGrant{FrameSets: 1}}})
	}
	m, err := s.hear()
	if err != nil {
		s.stop()
	}
	return m, err
}

// reopen opens a stream that broke, with pauses of random length up to one that doubles,
// so that the clients of a daemon that restarts do not come all at once.
func (s *Subscription) reopen(broke error) error {
	began := time.Now()
	pause := s.retry.First
	for {
		wait := time.NewTimer(pause/2 + rand.N(pause/2+1))
		select {
		case <-wait.C:
		case <-s.ctx.Done():
			wait.Stop()
			return s.ctx.Err()
		}
		s.client.conn.ResetConnectBackoff() // the pauses are made here
		err := s.open()
		switch {
		case err == nil:
			s.pending.Reconnects++
			s.pending.Without += time.Since(began)
			return nil
		case s.ctx.Err() != nil:
			return s.ctx.Err()
		case !lost(err):
			return err
		}
		if s.retry.GiveUp > 0 && time.Since(began) > s.retry.GiveUp {
			return fmt.Errorf("no daemon for %v: %w", s.retry.GiveUp, broke)
		}
		pause = min(2*pause, s.retry.Longest)
	}
}

// notice follows what became of a task.
func (s *Subscription) notice(n *facetdv1.TaskNotice) {
	was := s.places[n.GetTask()]
	now := place{generation: n.GetGeneration(), restarted: was.restarted}
	switch n.GetChange() {
	case facetdv1.TaskChange_TASK_CHANGE_PAUSED, facetdv1.TaskChange_TASK_CHANGE_RESUMED:
		return // its jobs are counted on
	case facetdv1.TaskChange_TASK_CHANGE_REMOVED:
		now.replaced = true // should there be another
	case facetdv1.TaskChange_TASK_CHANGE_REPLACED:
		now.replaced = true
	default: // its jobs are counted from 0
		now.replaced, now.known = was.replaced, true
	}
	s.places[n.GetTask()] = now
}

// take makes a delivery a frame set with its gap.
func (s *Subscription) take(d *facetdv1.FrameSetDelivery) (*FrameSet, error) {
	set, err := s.client.received(d.GetFrameSet())
	if err != nil {
		s.stop()
		return nil, err
	}
	set.boot = s.identity.GetHostBootId()
	p := s.places[set.Task()]
	set.Gap, s.pending = s.pending, Gap{}
	set.Gap.Dropped, set.Gap.MissingJobs = d.GetDropped(), p.missing+d.GetLeftOut()
	set.Gap.Replaced, set.Gap.Restarted = p.replaced, set.Gap.Restarted || p.restarted
	s.places[set.Task()] = place{generation: d.GetFrameSet().GetTaskGeneration(), next: set.Job() + 1, known: true}
	return set, nil
}
