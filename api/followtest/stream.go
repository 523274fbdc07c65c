// Package followtest reads frame sets as a client would that was written from the schema, with nothing of ours around
// it, and judges every stream that it reads.
package followtest

import (
	"context"
	"fmt"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Stream is an open stream of granted frame sets, for one goroutine.
type Stream struct {
	// Begun is whose frame sets follow.
	Begun   *facetdv1.FollowBegun
	client  facetdv1.FrameService_FollowFrameSetsClient
	judge   *Judge
	batch   uint32 // as many as were granted at the start; at least one
	granted uint32 // and not received
}

// Open opens a stream and returns once it has begun: what finishes from then on is received or counted. As many frame
// sets stay granted as the start grants; where that is none, Recv grants each that it returns.
func Open(ctx context.Context, conn grpc.ClientConnInterface, start *facetdv1.FollowStart,
	options ...grpc.CallOption) (*Stream, error) {
	client, err := facetdv1.NewFrameServiceClient(conn).FollowFrameSets(ctx, options...)
	if err != nil {
		return nil, err
	}
	// An error of sending is told by receiving.
	_ = client.Send(&facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Start{Start: start}})
	m, err := client.Recv()
	if err != nil {
		return nil, err
	}
	if m.GetBegun() == nil {
		return nil, fmt.Errorf("the stream begins with %v", m)
	}
	return &Stream{Begun: m.GetBegun(), client: client, judge: NewJudge(m.GetBegun()),
		batch: max(1, start.GetFrameSets()), granted: start.GetFrameSets()}, nil
}

// All is a start for every frame set, as far as the daemon keeps them: in queues as long as may be, and many granted
// ahead.
func All(tasks ...string) *facetdv1.FollowStart {
	return &facetdv1.FollowStart{Selection: &facetdv1.FrameSelection{Tasks: tasks}, FrameSets: 256,
		Overflow: facetdv1.Overflow_OVERFLOW_QUEUE, QueueLength: 1024}
}

// Recv waits for the next frame set. The error is that of the stream, or what is wrong with the stream.
func (s *Stream) Recv() (*facetdv1.FrameSetDelivery, error) {
	if s.granted <= s.batch/2 {
		_ = s.client.Send(&facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Grant{
			Grant: &facetdv1.FollowGrant{FrameSets: s.batch - s.granted}}})
		s.granted = s.batch
	}
	for {
		m, err := s.client.Recv()
		if err != nil {
			return nil, err
		}
		if err := s.judge.Take(m); err != nil {
			return nil, fmt.Errorf("what came is wrong: %w: %.300v", err, m)
		}
		if d := m.GetDelivery(); d != nil {
			s.granted--
			return d, nil
		}
	}
}

// Drain reads up to the end of the stream and returns why it ended, nil for one that ended well.
func (s *Stream) Drain() error {
	for {
		if _, err := s.Recv(); err != nil {
			return err
		}
	}
}
