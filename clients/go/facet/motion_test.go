package facet_test

import (
	"context"
	"errors"
	"math"
	"net"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
)

// mover sends the estimates that it holds, one for each grant, and is silent then, or ends the stream.
type mover struct {
	facetdv1.UnimplementedMotionServiceServer
	start  *facetdv1.MotionStart
	sends  []*facetdv1.MotionDelivery
	ending bool
}

func (m *mover) StreamMotion(s grpc.BidiStreamingServer[facetdv1.StreamMotionRequest,
	facetdv1.StreamMotionResponse]) error {
	first, err := s.Recv()
	if err != nil {
		return err
	}
	m.start = first.GetStart()
	_ = s.Send(&facetdv1.StreamMotionResponse{
		Event: &facetdv1.StreamMotionResponse_Begun{Begun: &facetdv1.MotionBegun{}}})
	for _, d := range m.sends {
		if r, err := s.Recv(); err != nil || r.GetGrant().GetEstimates() != 1 {
			return err
		}
		_ = s.Send(&facetdv1.StreamMotionResponse{
			Event: &facetdv1.StreamMotionResponse_Heartbeat{Heartbeat: &facetdv1.MotionHeartbeat{}}})
		_ = s.Send(&facetdv1.StreamMotionResponse{Event: &facetdv1.StreamMotionResponse_Delivery{Delivery: d}})
	}
	if !m.ending {
		<-s.Context().Done()
	}
	return nil
}

func (m *mover) subscribe(ctx context.Context, t *testing.T, heartbeat time.Duration) *facet.MotionSubscription {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := grpc.NewServer()
	facetdv1.RegisterMotionServiceServer(s, m)
	go func() { _ = s.Serve(l) }()
	t.Cleanup(s.Stop)
	c, err := facet.Connect(l.Addr().String(), facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	out, err := c.SubscribeMotion(ctx, facet.MotionOptions{Tasks: []string{"t"}, Chips: []string{"a"},
		Heartbeat: heartbeat})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(out.Close)
	return out
}

// TestEstimatesAreAskedFor: one estimate is asked for by each read, what was lost is counted, and a stream ends with
// why: a daemon that is silent, one that ends it, and a caller that has enough.
func TestEstimatesAreAskedFor(t *testing.T) {
	sends := []*facetdv1.MotionDelivery{
		{Estimate: &facetdv1.MotionEstimate{Job: 4}, DroppedTotal: 1},
		{Estimate: &facetdv1.MotionEstimate{Job: 9}, DroppedTotal: 3, FrameSetsLostTotal: 2},
	}
	for _, c := range []struct {
		sends     []*facetdv1.MotionDelivery
		heartbeat time.Duration
		ending    bool
		leave     bool
		says      string
	}{
		{heartbeat: 300 * time.Millisecond, says: "nothing was heard of the daemon for 900ms"},
		{sends: sends, heartbeat: time.Minute, ending: true, says: "the daemon ended the stream"},
		{sends: sends, heartbeat: time.Minute, leave: true},
	} {
		m := &mover{sends: c.sends, ending: c.ending}
		ctx, leave := context.WithCancel(t.Context())
		s := m.subscribe(ctx, t, c.heartbeat)
		for i, want := range []uint64{4, 9}[:len(c.sends)] {
			if e, err := s.Next(); err != nil || e.GetJob() != want || s.Dropped() != []uint64{1, 5}[i] {
				t.Errorf("%v, %v, %d dropped", e, err, s.Dropped())
			}
		}
		if m.start.GetTasks()[0] != "t" || m.start.GetChips()[0] != "a" || m.start.GetEstimates() != 0 {
			t.Errorf("it asked for %v", m.start)
		}
		if c.leave {
			leave()
		}
		_, err := s.Next()
		var e *facet.Error
		switch {
		case c.leave && !errors.Is(err, context.Canceled):
			t.Errorf("left: %v", err)
		case !c.leave && (!errors.As(err, &e) || e.Code != codes.Unavailable || e.Message != c.says):
			t.Errorf("%+v: %v", c, err)
		}
		if _, err := s.Next(); err == nil {
			t.Error("it goes on after its end")
		}
		leave()
	}
}

// TestFirstContactAndSharedRate: what is told of several chips is put together by what each knows.
func TestFirstContactAndSharedRate(t *testing.T) {
	if _, _, ok := facet.FirstContact(&facetdv1.BodyMotion{Chips: []*facetdv1.ChipNearness{{Chip: "a"}}}); ok {
		t.Error("a chip that comes no nearer touches")
	}
	chip, after, ok := facet.FirstContact(&facetdv1.BodyMotion{Chips: []*facetdv1.ChipNearness{{Chip: "a"},
		{Chip: "b", ContactS: proto.Float64(2)}, {Chip: "c", ContactS: proto.Float64(1.5)},
		{Chip: "d", ContactS: proto.Float64(3)}}})
	if chip != "c" || after != 1500*time.Millisecond || !ok {
		t.Error(chip, after, ok)
	}
	// Two chips that look along x and y: each tells nothing of the axis that it looks along, but for a little.
	a := &facetdv1.ChipMotion{RateRadPerS: []float64{9, 2, 3}, RateInformation: []float64{0, 0, 0, 0, 4, 1, 0, 1, 4}}
	b := &facetdv1.ChipMotion{RateRadPerS: []float64{1, 9, 3}, RateInformation: []float64{4, 0, 1, 0, 0, 0, 1, 0, 4}}
	told := &facetdv1.ChipMotion{} // nothing
	rate, covariance, ok := facet.SharedRate(a, told, b)
	if !ok {
		t.Fatal("two chips do not tell all three axes")
	}
	for i := range 3 {
		for k := range 3 {
			product := 0.0
			for n, row := range [3][3]float64{{4, 0, 1}, {0, 4, 1}, {1, 1, 8}} {
				product += covariance[i][n] * row[k]
			}
			if want := map[bool]float64{true: 1}[i == k]; math.Abs(product-want) > 1e-12 {
				t.Errorf("covariance times information: %v at %d, %d", product, i, k)
			}
		}
	}
	for i, want := range [3]float64{1, 2, 3} {
		if math.Abs(rate[i]-want) > 1e-12 {
			t.Errorf("rate %v", rate)
		}
	}
	if _, _, ok := facet.SharedRate(a); ok {
		t.Error("one chip tells the turn about its own axis, of which it knows nothing")
	}
	if _, _, ok := facet.SharedRate(); ok {
		t.Error("no chip tells a rate")
	}
}
