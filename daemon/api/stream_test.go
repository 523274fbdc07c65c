package api

import (
	"context"
	"fmt"
	"io"
	"math"
	"net"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/daemon/stream"
)

// open starts a stream and returns once it has begun.
func open(t testing.TB, r *rig, start *facetdv1.FollowStart) *followtest.Stream {
	t.Helper()
	s, err := followtest.Open(limited(t), r.conn, start)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func frameSet(task string, job uint64, chip string, bytes int) *facetdv1.FrameSet {
	return &facetdv1.FrameSet{Task: task, Job: job, Frames: []*facetdv1.Frame{{Chip: chip, Data: make([]byte, bytes)}}}
}

// A reader that has been granted much, and pauses, loses the oldest under queue and everything but the newest
// under latest; each message says how many, and in the end all are accounted for.
func TestOverflowEndToEnd(t *testing.T) {
	const sets, bytes = 60, 512 << 10 // far above what the transport buffers
	for _, overflow := range []facetdv1.Overflow{facetdv1.Overflow_OVERFLOW_LATEST, facetdv1.Overflow_OVERFLOW_QUEUE} {
		t.Run(overflow.String(), func(t *testing.T) {
			r := start(t)
			request := &facetdv1.FollowStart{Overflow: overflow, FrameSets: MaxGranted}
			if overflow == facetdv1.Overflow_OVERFLOW_QUEUE {
				request.QueueLength = 3
			}
			s := open(t, r, request)
			chip := r.array.Chips[0].Name
			for job := range uint64(sets) {
				r.hub.Publish(frameSet("ring", job, chip, bytes))
			}
			r.hub.Close("no more")
			var read, total uint64
			last := int64(-1)
			for {
				m, err := s.Recv()
				if err != nil {
					if status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), "no more") {
						t.Errorf("ended with %v", err)
					}
					break
				}
				read++
				total += m.GetDropped()
				if job := int64(m.GetFrameSet().GetJob()); job != last+1+int64(m.GetDropped()) ||
					m.GetDroppedTotal() != total {
					t.Errorf("job %d after %d with %d dropped, %d in total", job, last, m.GetDropped(),
						m.GetDroppedTotal())
				}
				last = int64(m.GetFrameSet().GetJob())
			}
			if read+total != sets || last != sets-1 || total == 0 || r.hub.Stats().DroppedTotal() != total {
				t.Errorf("read %d, lost %d, the last is %d; the hub counts %+v", read, total, last, r.hub.Stats())
			}
			t.Logf("read %d, lost %d", read, total)
		})
	}
}

func TestStreamFilters(t *testing.T) {
	r := start(t)
	first, second := r.array.Chips[0].Name, r.array.Chips[1].Name
	r.fake.set(func(f *fake) {
		for _, task := range f.snap.Tasks {
			task.Task.Target = &facetdv1.Target{Chips: &facetdv1.Target_All{All: &facetdv1.AllChips{}}}
		}
	})
	wanted := followtest.All("bed")
	wanted.Selection.Chips = []string{second}
	s := open(t, r, wanted)
	if n := r.Status().GetStreams(); n != 1 {
		t.Errorf("%d streams open", n)
	}
	r.hub.Publish(frameSet("ring", 1, second, 2))
	r.hub.Publish(frameSet("bed", 2, first, 2))
	r.hub.Publish(frameSet("bed", 3, second, 2))
	want := &facetdv1.FrameSetDelivery{FrameSet: frameSet("bed", 3, second, 2)}
	if m, err := s.Recv(); err != nil || !proto.Equal(m, want) {
		t.Errorf("got %v %v, want %v", m, err, want)
	}
}

func TestStreamRefusals(t *testing.T) {
	r := start(t)
	fail := func(start *facetdv1.FollowStart) *status.Status {
		_, err := followtest.Open(limited(t), r.conn, start)
		return status.Convert(err)
	}
	tasks := func(names ...string) *facetdv1.FollowStart {
		return &facetdv1.FollowStart{Selection: &facetdv1.FrameSelection{Tasks: names}}
	}
	st := fail(&facetdv1.FollowStart{Overflow: 9, QueueLength: stream.MaxQueue + 1,
		Selection: &facetdv1.FrameSelection{Chips: []string{"none", r.array.Chips[0].Name}}})
	if len(st.Details()) != 1 || st.Code() != codes.InvalidArgument {
		t.Fatalf("got %v", st)
	}
	var fields []string
	for _, v := range st.Details()[0].(*errdetails.BadRequest).GetFieldViolations() {
		fields = append(fields, v.GetField())
	}
	if got := strings.Join(fields, " "); got != "start.selection.chips[0] start.overflow start.queue_length" {
		t.Errorf("errors in %s", got)
	}
	if st := fail(&facetdv1.FollowStart{QueueLength: 3}); st.Code() != codes.InvalidArgument ||
		st.Details()[0].(*errdetails.BadRequest).GetFieldViolations()[0].GetField() != "start.queue_length" {
		t.Errorf("a length without a queue: %v", st)
	}
	if st := fail(tasks("ring", "none")); st.Code() != codes.NotFound ||
		!strings.Contains(st.Message(), "none") {
		t.Errorf("unknown task: %v", st)
	}
	r.hub.Close("gone")
	if st := fail(tasks()); st.Code() != codes.Unavailable || st.Message() != "gone" {
		t.Errorf("closed hub: %v", st)
	}
	// While the daemon starts there are no tasks to look up yet.
	r.fake.set(func(f *fake) { f.snap.State = facetdv1.State_STATE_STARTING })
	if st := fail(tasks("none")); st.Code() != codes.Unavailable {
		t.Errorf("a task while starting: %v", st)
	}
}

// A frame set of a large chip passes whole; a client with gRPC's default limit is
// told so.
func TestLargeFrameSets(t *testing.T) {
	const bytes = 4096 * 4096 * 2
	r := start(t)
	s := open(t, r, &facetdv1.FollowStart{})
	small, err := followtest.Open(limited(t), r.conn, &facetdv1.FollowStart{}, grpc.MaxCallRecvMsgSize(4<<20))
	if err != nil {
		t.Fatal(err)
	}
	r.hub.Publish(frameSet("ring", 1, "c", bytes))
	if m, err := s.Recv(); err != nil || len(m.GetFrameSet().GetFrames()[0].GetData()) != bytes {
		t.Errorf("got %v", err)
	}
	if _, err := small.Recv(); status.Code(err) != codes.ResourceExhausted {
		t.Errorf("over the client's limit: %v", err)
	}
}

func TestRequestsAreBounded(t *testing.T) {
	r := start(t)
	big := &facetdv1.ComputeReachRequest{Lines: []string{strings.Repeat("x", MaxReceiveBytes)}}
	if _, err := facetdv1.NewArrayServiceClient(r.conn).ComputeReach(limited(t),
		big); status.Code(err) != codes.ResourceExhausted {
		t.Errorf("got %v", err)
	}
}

// A client that never reads cannot hold up the end.
func TestStopIsPrompt(t *testing.T) {
	r := start(t)
	stuck := open(t, r, followtest.All())
	for job := range uint64(8) {
		r.hub.Publish(frameSet("ring", job, "c", 4<<20))
	}
	r.hub.Close("going down")
	begin := time.Now()
	r.Stop(100 * time.Millisecond)
	if took := time.Since(begin); took > patience/4 { // without a limit it waits for ever
		t.Errorf("stopping took %v", took)
	}
	err := stuck.Drain()
	if err == io.EOF || status.Code(err) == codes.OK {
		t.Errorf("the stream ended with %v", err)
	}
}

// bare is a server that sends one message again and again, with nothing around it.
type bare struct {
	facetdv1.UnimplementedFrameServiceServer
	m *facetdv1.FollowFrameSetsResponse
}

func (b *bare) FollowFrameSets(out facetdv1.FrameService_FollowFrameSetsServer) error {
	for {
		if err := out.Send(b.m); err != nil {
			return err
		}
	}
}

// BenchmarkStream is one client's stream, with many frame sets granted, beside a bare grpc-go stream of
// equal messages: what the hub and the service cost. One operation is one message read.
func BenchmarkStream(b *testing.B) {
	for _, bytes := range []int{1 << 10, 16 << 10, 64 << 10, 1 << 20} {
		m := &facetdv1.FollowFrameSetsResponse{Event: &facetdv1.FollowFrameSetsResponse_Delivery{
			Delivery: &facetdv1.FrameSetDelivery{FrameSet: frameSet("ring", 7, "c", bytes)}}}
		b.Run(fmt.Sprintf("bare/%dKiB", bytes>>10), func(b *testing.B) {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				b.Fatal(err)
			}
			s := grpc.NewServer()
			facetdv1.RegisterFrameServiceServer(s, &bare{m: m})
			go func() { _ = s.Serve(l) }()
			defer s.Stop()
			conn, err := grpc.NewClient(l.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
			if err != nil {
				b.Fatal(err)
			}
			defer conn.Close()
			ctx, cancel := context.WithCancel(context.Background())
			defer cancel()
			c, err := facetdv1.NewFrameServiceClient(conn).FollowFrameSets(ctx)
			if err != nil {
				b.Fatal(err)
			}
			receive(b, bytes, func() error { _, err := c.Recv(); return err })
		})
		b.Run(fmt.Sprintf("facetd/%dKiB", bytes>>10), func(b *testing.B) {
			r := start(b)
			ctx, cancel := context.WithCancel(context.Background())
			defer cancel()
			all := followtest.All()
			all.FrameSets = MaxGranted
			c, err := followtest.Open(ctx, r.conn, all)
			if err != nil {
				b.Fatal(err)
			}
			// The publisher keeps a bounded number on the way, so that nothing drops.
			tokens := make(chan struct{}, min(stream.MaxQueue/2, stream.MaxWaitingBytes/2/bytes))
			frames := frameSet("ring", 0, "c", bytes).GetFrames() // one set of pixels for all, as the bare server has
			go func() {
				job := uint64(0)
				for {
					select {
					case tokens <- struct{}{}:
						r.hub.Publish(&facetdv1.FrameSet{Task: "ring", Job: job, Frames: frames})
						job++
					case <-ctx.Done():
						return
					}
				}
			}()
			receive(b, bytes, func() error { // and gives a token back
				_, err := c.Recv()
				<-tokens
				return err
			})
			if n := r.hub.Stats().DroppedTotal(); n > 0 {
				b.Errorf("%d dropped", n)
			}
		})
	}
}

func receive(b *testing.B, bytes int, next func() error) {
	b.Helper()
	b.SetBytes(int64(bytes))
	for b.Loop() {
		if err := next(); err != nil {
			b.Fatal(err)
		}
	}
}

// a decimated stream says how many frame sets were left out, and drops none for it.
func TestDecimatedStream(t *testing.T) {
	r := start(t)
	wanted := followtest.All()
	wanted.MaxRateHz = 15
	s := open(t, r, wanted)
	for job := range uint64(21) { // 20 Hz for a second
		fs := frameSet("ring", job, "c", 2)
		fs.ReleaseBusNs = int64(job) * 50_000_000
		r.hub.Publish(fs)
	}
	r.hub.Close("no more")
	var jobs []uint64
	var last *facetdv1.FrameSetDelivery
	for {
		m, err := s.Recv()
		if err != nil {
			break
		}
		last, jobs = m, append(jobs, m.GetFrameSet().GetJob())
	}
	if len(jobs) != 16 || last.GetDecimatedTotal() != 5 || last.GetDroppedTotal() != 0 {
		t.Errorf("read jobs %v, decimated %d, dropped %d; want 16 of 21", jobs, last.GetDecimatedTotal(),
			last.GetDroppedTotal())
	}
	for _, hz := range []float64{-1, math.NaN(), math.Inf(1), 1e5} {
		_, err := followtest.Open(limited(t), r.conn, &facetdv1.FollowStart{MaxRateHz: hz})
		if status.Code(err) != codes.InvalidArgument || !strings.Contains(err.Error(), "max_rate_hz") {
			t.Errorf("%v Hz: %v", hz, err)
		}
	}
}
