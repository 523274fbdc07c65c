package facet

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"math/rand/v2"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"

	facetdv1 "facetd.example/api/facetd/v1"
)

// StreamOptions choose what a stream carries. The zero value is the newest raw frame set
// of every task.
type StreamOptions struct {
	// Tasks by name; none means all, also those added later.
	Tasks []string
	// Chips whose frames are wanted, by name; none means all.
	Chips []string
	// Corrected asks for corrected codes.
	Corrected bool
	// Square asks for corrected codes, those of hexagonal chips resampled to a square
	// lattice.
	Square bool
	// MaxRateHz leaves out frame sets beyond this rate of each task, by bus time; 0 means
	// none.
	MaxRateHz float64
	// Queue is how many frame sets may wait at the daemon for a slow reader, 1 to 1024,
	// before the oldest is dropped. 0 means that only the newest of each task waits, which
	// suits a robot that acts on what is now.
	Queue int
	// Retry says how a broken stream is opened again.
	Retry Retry
}

// Retry says how a broken stream is opened again. The zero value tries for ever, after
// pauses that grow from a tenth of a second to five seconds.
type Retry struct {
	// Off ends the stream with the error that broke it.
	Off bool
	// First is the pause before the first try; 0 means 100 ms. Each further one is twice
	// as long.
	First time.Duration
	// Longest limits the pauses; 0 means 5 s.
	Longest time.Duration
	// GiveUp ends the stream after so long without the daemon; 0 means never.
	GiveUp time.Duration
}

// Gap is what a stream lost between two frame sets. The zero value is nothing.
type Gap struct {
	// Dropped frame sets, of all tasks of the stream: the reader was too slow.
	Dropped uint64
	// MissingJobs of this task: numbers between the last frame set received and this one,
	// those dropped included. With MaxRateHz it is not known and 0.
	MissingJobs uint64
	// Without is how long there was no connection.
	Without time.Duration
	// Reconnects counts the connections that broke.
	Reconnects int
	// Restarted means that the numbers of the jobs started over: the daemon or the task was started
	// again.
	Restarted bool
}

// Any reports whether anything was lost.
func (g Gap) Any() bool { return g != Gap{} }

func (g Gap) String() string {
	if !g.Any() {
		return "nothing lost"
	}
	text := fmt.Sprintf("%d dropped, %d jobs missing", g.Dropped, g.MissingJobs)
	if g.Reconnects > 0 {
		text += fmt.Sprintf(", %v without the daemon", g.Without.Round(time.Millisecond))
	}
	if g.Restarted {
		text += ", started again"
	}
	return text
}

// add is the gap before a frame set whose predecessor, of the same task and with a gap of
// its own, was given up for it here.
func (g Gap) add(before Gap, numbered bool) Gap {
	g.Dropped += before.Dropped + 1
	g.Without += before.Without
	g.Reconnects += before.Reconnects
	if numbered && !g.Restarted {
		g.MissingJobs += before.MissingJobs + 1
	}
	g.Restarted = g.Restarted || before.Restarted
	return g
}

// Subscription is an open stream. Without a queue only the newest frame set of each task
// waits, here as at the daemon: what lies in between, in the sockets, would otherwise be
// up to some dozens of small sets old. Next is for one goroutine; Close may be called from
// any.
type Subscription struct {
	box     *mailbox // nil with a queue
	client  *Client
	request *facetdv1.StreamFrameSetsRequest
	retry   Retry
	ctx     context.Context
	cancel  context.CancelFunc
	stream  grpc.ServerStreamingClient[facetdv1.StreamFrameSetsResponse]
	stop    context.CancelFunc // of stream

	last    map[string]uint64 // job received last, by task
	anew    map[string]bool   // tasks whose numbers started over with a new daemon
	pending Gap               // of connections; what belongs to no frame set yet
	daemon  time.Time         // when the daemon started; zero where it is not known
}

// Subscribe opens a stream, and returns once the daemon has it: what finishes from then
// on is received or counted as lost. Close it when done. The first connection is not
// tried again: the error says what is wrong.
func (c *Client) Subscribe(ctx context.Context, o StreamOptions) (*Subscription, error) {
	if o.Queue < 0 || o.Queue > 1024 {
		return nil, fmt.Errorf("a queue of %d frame sets is not possible; use 0 to 1024", o.Queue)
	}
	r := &facetdv1.StreamFrameSetsRequest{
		Tasks: o.Tasks, Chips: o.Chips, Codes: codesOf(o.Corrected, o.Square), MaxRateHz: o.MaxRateHz,
		Overflow: facetdv1.Overflow_OVERFLOW_LATEST,
	}
	if o.Queue > 0 {
		r.Overflow, r.QueueLength = facetdv1.Overflow_OVERFLOW_QUEUE, uint32(o.Queue)
	}
	if o.Retry.First <= 0 {
		o.Retry.First = 100 * time.Millisecond
	}
	if o.Retry.Longest <= 0 {
		o.Retry.Longest = 5 * time.Second
	}
	s := &Subscription{client: c, request: r, retry: o.Retry, last: map[string]uint64{}, anew: map[string]bool{}}
	s.ctx, s.cancel = context.WithCancel(ctx)
	if err := s.open(); err != nil {
		s.cancel()
		return nil, err
	}
	s.daemon = s.started()
	if o.Queue == 0 && !c.lockstep {
		s.box = newMailbox(o.MaxRateHz == 0)
		go s.box.fill(s.receive, s.cancel)
	}
	return s, nil
}

// open opens the stream and waits until the daemon has subscribed it.
func (s *Subscription) open() error {
	ctx, stop := context.WithCancel(s.ctx)
	stream, err := s.client.frames.StreamFrameSets(ctx, s.request)
	if err == nil {
		var header metadata.MD
		if header, err = stream.Header(); err == nil && header == nil {
			// Refused: gRPC has no header then, and says why when asked for a message.
			_, err = stream.Recv()
		}
	}
	if err != nil {
		stop()
		return err
	}
	s.stream, s.stop = stream, stop
	return nil
}

// Close ends the stream. Closing again changes nothing.
func (s *Subscription) Close() { s.cancel() }

// Next waits for the next frame set. Errors: ctx's of Subscribe, *Error, or that a frame
// is invalid. After an error the stream has ended.
func (s *Subscription) Next() (*FrameSet, error) {
	if s.box != nil {
		return s.box.take(s.ctx)
	}
	set, err := s.receive()
	if err != nil {
		s.cancel()
	}
	return set, err
}

// receive takes the next frame set from the wire.
func (s *Subscription) receive() (*FrameSet, error) {
	for {
		m, err := s.stream.Recv()
		if err == nil {
			return s.take(m)
		}
		s.stop()
		switch {
		case s.ctx.Err() != nil:
			return nil, s.ctx.Err()
		case errors.Is(err, io.EOF):
			err = &Error{Code: codes.Unavailable, Message: "the daemon ended the stream", cause: err}
		case !lost(err):
			return nil, err
		}
		if s.retry.Off {
			return nil, err
		}
		if err := s.reopen(err); err != nil {
			return nil, err
		}
	}
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
		err := s.open()
		switch {
		case err == nil:
			s.pending.Reconnects++
			s.pending.Without += time.Since(began)
			s.compare()
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

// started is when the daemon started; zero where it does not say.
func (s *Subscription) started() time.Time {
	ctx, cancel := context.WithTimeout(s.ctx, time.Second) // it is not worth a long wait
	defer cancel()
	st, err := s.client.Status(ctx)
	if err != nil {
		return time.Time{}
	}
	return st.GetStartTime().AsTime()
}

// compare finds out whether it is still the same daemon: another one's jobs are numbered
// from 0, and may have come beyond what was received of the one before.
func (s *Subscription) compare() {
	now := s.started()
	if now.IsZero() || now.Equal(s.daemon) {
		return
	}
	if s.daemon = now; len(s.last) == 0 {
		s.pending.Restarted = true
	}
	for task := range s.last {
		s.anew[task] = true
	}
	clear(s.last)
}

// take makes a message a frame set with its gap.
func (s *Subscription) take(m *facetdv1.StreamFrameSetsResponse) (*FrameSet, error) {
	set, err := s.client.received(m.GetFrameSet())
	if err != nil {
		s.stop()
		return nil, err
	}
	set.Gap, s.pending = s.pending, Gap{}
	set.Gap.Dropped += m.GetDropped()
	task, job := set.Task(), set.Job()
	switch before, seen := s.last[task]; {
	case s.anew[task], seen && job <= before:
		set.Gap.Restarted = true
		set.Gap.MissingJobs = job
	case seen:
		set.Gap.MissingJobs = job - before - 1
	}
	if s.request.GetMaxRateHz() > 0 {
		set.Gap.MissingJobs = 0
	}
	delete(s.anew, task)
	s.last[task] = job
	return set, nil
}

// All yields frame sets until the loop ends or an error was yielded, and closes the
// stream.
func (s *Subscription) All() iter.Seq2[*FrameSet, error] {
	return func(yield func(*FrameSet, error) bool) {
		defer s.Close()
		for {
			set, err := s.Next()
			if !yield(set, err) || err != nil {
				return
			}
		}
	}
}

// FrameSets subscribes and yields frame sets, as Subscribe and All together.
func (c *Client) FrameSets(ctx context.Context, o StreamOptions) iter.Seq2[*FrameSet, error] {
	return func(yield func(*FrameSet, error) bool) {
		s, err := c.Subscribe(ctx, o)
		if err != nil {
			yield(nil, err)
			return
		}
		s.All()(yield)
	}
}
