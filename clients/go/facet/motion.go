package facet

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// MotionOptions choose what estimates of motion are made of. The zero value is the newest of every task.
type MotionOptions struct {
	// Tasks by name; none means all, also those added later.
	Tasks []string
	// Chips that take part, by name; none means all.
	Chips []string
	// Heartbeat is how long the daemon may be silent while an estimate is waited for, 50 ms and up; 0 means 1 s. After
	// three of them without a word the stream ends.
	Heartbeat time.Duration
}

// MotionSubscription is a stream of estimates of how the body moves. It is for one goroutine, but for Close.
type MotionSubscription struct {
	stream    grpc.BidiStreamingClient[facetdv1.StreamMotionRequest, facetdv1.StreamMotionResponse]
	ctx       context.Context // the caller's
	cancel    context.CancelFunc
	heartbeat time.Duration
	dropped   uint64
}

// SubscribeMotion begins a stream of estimates, which the daemon has subscribed when it returns: there is one for each
// job that ends from then on. It does not connect again by itself, since whoever steers by motion is to be safe without
// it: Next returns the error then, and the robot halts until another stream has begun. Errors are ctx's and *Error.
func (c *Client) SubscribeMotion(ctx context.Context, o MotionOptions) (*MotionSubscription, error) {
	if o.Heartbeat == 0 {
		o.Heartbeat = time.Second
	}
	s := &MotionSubscription{ctx: ctx, heartbeat: o.Heartbeat}
	ctx, s.cancel = context.WithCancel(ctx)
	var err error
	if s.stream, err = facetdv1.NewMotionServiceClient(c.conn).StreamMotion(ctx); err != nil {
		s.cancel()
		return nil, err
	}
	s.send(&facetdv1.StreamMotionRequest{Request: &facetdv1.StreamMotionRequest_Start{Start: &facetdv1.MotionStart{
		Tasks: o.Tasks, Chips: o.Chips, HeartbeatInterval: durationpb.New(o.Heartbeat)}}})
	if _, err := s.hear(); err != nil {
		s.cancel()
		return nil, err
	}
	return s, nil
}

// send sends a request. One that cannot be sent says nothing of why: what is received then does.
func (s *MotionSubscription) send(r *facetdv1.StreamMotionRequest) { _ = s.stream.Send(r) }

// hear receives the next message, and gives the stream up when the daemon is silent for too long.
func (s *MotionSubscription) hear() (*facetdv1.StreamMotionResponse, error) {
	silent := time.AfterFunc(silences*s.heartbeat, s.cancel)
	m, err := s.stream.Recv()
	switch {
	case err == nil:
		silent.Stop()
		return m, nil
	case s.ctx.Err() != nil:
		err = s.ctx.Err()
	case errors.Is(err, io.EOF):
		err = &Error{Code: codes.Unavailable, Message: "the daemon ended the stream", cause: err}
	case !silent.Stop():
		err = &Error{Code: codes.Unavailable, Message: fmt.Sprintf("nothing was heard of the daemon for %v",
			silences*s.heartbeat), cause: err}
	}
	silent.Stop()
	return nil, err
}

// Next asks for the next estimate and waits for it: the newest of a task that was not given yet. It ends with the error
// that broke the stream.
func (s *MotionSubscription) Next() (*facetdv1.MotionEstimate, error) {
	s.send(&facetdv1.StreamMotionRequest{Request: &facetdv1.StreamMotionRequest_Grant{
		Grant: &facetdv1.MotionGrant{Estimates: 1}}})
	for {
		m, err := s.hear()
		if err != nil {
			s.cancel()
			return nil, err
		}
		if d := m.GetDelivery(); d != nil {
			s.dropped = d.GetDroppedTotal() + d.GetFrameSetsLostTotal()
			return d.GetEstimate(), nil
		}
	}
}

// Dropped is how many jobs there are of which the daemon sent no estimate, because none was asked for in time or their
// frame sets were lost, as of the last estimate.
func (s *MotionSubscription) Dropped() uint64 { return s.dropped }

// Close ends the stream. Closing again changes nothing.
func (s *MotionSubscription) Close() { s.cancel() }

// Motion gives the newest estimates of how the body moves, one for each that is read, until ctx ends or the loop does.
// It ends with the error that broke the stream: whoever steers by it is to be safe without estimates, and tries again
// then. Estimates that came between two reads are dropped by the daemon but for the newest of each task.
func (c *Client) Motion(ctx context.Context, o MotionOptions) iter.Seq2[*facetdv1.MotionEstimate, error] {
	return func(yield func(*facetdv1.MotionEstimate, error) bool) {
		s, err := c.SubscribeMotion(ctx, o)
		if err != nil {
			yield(nil, err)
			return
		}
		defer s.Close()
		for {
			e, err := s.Next()
			if !yield(e, err) || err != nil {
				return
			}
		}
	}
}

// FirstContact is which chip will touch what it sees first, and when, if the body keeps its way; ok is false where none
// comes nearer for sure, which does not mean that nothing is in the way. The least of several times that are not sure
// is too small rather than too large, the more so the more chips there are: when the body meets a wall across its way,
// all of them together say in contact_s of the body, with a standard deviation.
func FirstContact(b *facetdv1.BodyMotion) (chip string, after time.Duration, ok bool) {
	for _, c := range b.GetChips() {
		if t := time.Duration(c.GetContactS() * 1e9); c.ContactS != nil && (!ok || t < after) {
			chip, after, ok = c.GetChip(), t, true
		}
	}
	return chip, after, ok
}

// SharedRate is the turn that chips tell together, as if the body did nothing but turn, in radians a second about its
// axes, with its covariance: each weighs by what it knows. ok is false where there is an axis of which they tell
// nothing. It is right far from everything; BodyMotion is what to take near walls.
func SharedRate(chips ...*facetdv1.ChipMotion) (rate [3]float64, covariance [3][3]float64, ok bool) {
	var sum [3][3]float64
	var weighed [3]float64
	for _, c := range chips {
		if len(c.GetRateInformation()) != 9 || len(c.GetRateRadPerS()) != 3 {
			continue
		}
		for i := range 3 {
			for k := range 3 {
				sum[i][k] += c.GetRateInformation()[3*i+k]
				weighed[i] += c.GetRateInformation()[3*i+k] * c.GetRateRadPerS()[k]
			}
		}
	}
	covariance, ok = inverse(sum)
	for i := range 3 {
		for k := range 3 {
			rate[i] += covariance[i][k] * weighed[k]
		}
	}
	return rate, covariance, ok
}

// inverse is that of a symmetric matrix that has no negative eigenvalues; ok is false where it is all but singular.
func inverse(m [3][3]float64) (out [3][3]float64, ok bool) {
	for i := range 3 {
		for k := range 3 {
			a, b, c, d := (i+1)%3, (i+2)%3, (k+1)%3, (k+2)%3
			out[k][i] = m[a][c]*m[b][d] - m[a][d]*m[b][c]
		}
	}
	det := m[0][0]*out[0][0] + m[0][1]*out[1][0] + m[0][2]*out[2][0]
	trace := m[0][0] + m[1][1] + m[2][2]
	if !(det > 1e-12*trace*trace*trace) || math.IsInf(det, 0) {
		return [3][3]float64{}, false
	}
	for i := range 3 {
		for k := range 3 {
			out[i][k] /= det
		}
	}
	return out, true
}
