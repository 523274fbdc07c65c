package facet

import (
	"context"
	"iter"

	facetdv1 "facetd.example/api/facetd/v1"
)

// MotionOptions choose what estimates of motion are made of. The zero value is the newest of every task.
type MotionOptions struct {
	// Tasks by name; none means all, also those added later.
	Tasks []string
	// Chips that take part, by name; none means all.
	Chips []string
}

// Motion gives the newest estimates of how the body moves, one for each that is read, until ctx ends or the loop does.
// It ends with the error that broke the stream: whoever steers by it is to be safe without estimates, and tries again
// then. Estimates that came between two reads are dropped by the daemon but for the newest of each task.
func (c *Client) Motion(ctx context.Context, o MotionOptions) iter.Seq2[*facetdv1.MotionEstimate, error] {
	return func(yield func(*facetdv1.MotionEstimate, error) bool) {
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		stream, err := facetdv1.NewMotionServiceClient(c.conn).StreamMotion(ctx)
		if err != nil {
			yield(nil, err)
			return
		}
		// A request that cannot be sent says nothing of why: what is received then does.
		_ = stream.Send(&facetdv1.StreamMotionRequest{Request: &facetdv1.StreamMotionRequest_Start{
			Start: &facetdv1.MotionStart{Tasks: o.Tasks, Chips: o.Chips, Estimates: 1}}})
		for {
			r, err := stream.Recv()
			if err != nil {
				yield(nil, err)
				return
			}
			e := r.GetDelivery().GetEstimate()
			if e == nil {
				continue
			}
			if !yield(e, nil) {
				return
			}
			_ = stream.Send(&facetdv1.StreamMotionRequest{Request: &facetdv1.StreamMotionRequest_Grant{
				Grant: &facetdv1.MotionGrant{Estimates: 1}}})
		}
	}
}
