package api

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestCallsLastAsLongAsStreams: whoever wants to know who calls is told of each call, and that it is over when it is:
// of a stream, when that ends.
func TestCallsLastAsLongAsStreams(t *testing.T) {
	r := start(t)
	var begun, open atomic.Int64
	over := make(chan struct{}, 8)
	r.cfg.Called = func() func() {
		begun.Add(1)
		open.Add(1)
		return func() {
			open.Add(-1)
			over <- struct{}{}
		}
	}
	wait := func() {
		t.Helper()
		select {
		case <-over:
		case <-time.After(time.Minute):
			t.Fatal("the call is never over")
		}
	}
	status := facetdv1.NewStatusServiceClient(r.conn)
	if _, err := status.GetStatus(t.Context(), &facetdv1.GetStatusRequest{}); err != nil {
		t.Fatal(err)
	}
	wait()
	if begun.Load() != 1 || open.Load() != 0 {
		t.Errorf("%d calls begun, %d not over, after one", begun.Load(), open.Load())
	}
	ctx, end := context.WithCancel(t.Context())
	defer end()
	watch, err := status.WatchStatus(ctx, &facetdv1.WatchStatusRequest{Interval: durationpb.New(50 * time.Millisecond)})
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if _, err := watch.Recv(); err != nil {
			t.Fatal(err)
		}
	}
	if begun.Load() != 2 || open.Load() != 1 {
		t.Errorf("%d calls begun, %d not over, while a stream is open", begun.Load(), open.Load())
	}
	end()
	wait()
	if open.Load() != 0 {
		t.Errorf("%d calls are not over after the stream has ended", open.Load())
	}
}
