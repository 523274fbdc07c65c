package facet_test

import (
	"context"
	"crypto/tls"
	"errors"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
)

// daemon runs the demo in real time on an address until stop.
func daemon(t *testing.T, address string) (at string, stop func()) {
	t.Helper()
	c := server.Setup{Config: config.Default()}
	c.Scene, c.Listen, c.Logger = "uniform:200", config.Listen{GRPC: address}, zap.NewNop()
	c.MaxLag = 0 // a busy machine makes the bus late, and no job fails for it
	s, err := server.New(c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	stopped := false
	stop = func() {
		if cancel(); !stopped {
			stopped = true
			<-ended
		}
	}
	t.Cleanup(stop)
	return s.Addresses().GRPC, stop
}

// A stream survives a daemon that goes away and comes back, and says what that cost.
func TestReconnect(t *testing.T) {
	at, stop := daemon(t, "127.0.0.1:0")
	c, err := facet.Connect(at, facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	s, err := c.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{"bow"},
		Retry: facet.Retry{First: time.Millisecond, Longest: 50 * time.Millisecond}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var last uint64
	for range 5 {
		set, err := s.Next()
		if err != nil || set.Gap.Reconnects > 0 || set.Gap.Restarted {
			t.Fatalf("%v, %v", set, err)
		}
		last = set.Job()
	}
	before := s.Daemon()
	if before.GetInstanceId() == "" || before.GetName() == "" || before.GetArrayDigest() == "" {
		t.Errorf("the daemon is %v", before)
	}
	stop()
	daemon(t, at)
	for range 200 { // what was on its way before the stop comes first
		set, err := s.Next()
		if err != nil {
			t.Fatal(err)
		}
		if !set.Gap.Restarted && set.Gap.Reconnects == 0 {
			last = set.Job()
			continue
		}
		if g := set.Gap; !g.Restarted || g.MissingJobs != 0 || g.Without <= 0 || g.Replaced || g.Reconnects != 1 ||
			!strings.Contains(g.String(), "started again") {
			t.Errorf("job %d after job %d: %+v", set.Job(), last, set.Gap)
		}
		if now := s.Daemon(); now.GetInstanceId() == before.GetInstanceId() || now.GetName() != before.GetName() ||
			now.GetArrayDigest() != before.GetArrayDigest() {
			t.Errorf("after a restart the daemon is %v, before %v", now, before)
		}
		if next, err := s.Next(); err != nil || next.Gap.Reconnects > 0 {
			t.Errorf("the set after: %+v, %v", next.Gap, err)
		}
		return
	}
	t.Error("it never reconnected")
}

// A reader that was away takes up at the newest frame set, whatever lay in the sockets,
// and knows what it missed; one with a queue takes up where it was.
func TestLatestIsNew(t *testing.T) {
	at, _ := daemon(t, "127.0.0.1:0")
	c, err := facet.Connect(at, facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	done := func() (jobs uint64) {
		st, err := c.Status(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, task := range st.GetTasks() {
			if task.GetTask().GetName() == "bow" {
				return task.GetStatus().GetJobsOnTime()
			}
		}
		t.Fatal("no task bow")
		return 0
	}
	latest, err := c.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{"bow"}})
	if err != nil {
		t.Fatal(err)
	}
	defer latest.Close()
	queue, err := c.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{"bow"}, Queue: 1024})
	if err != nil {
		t.Fatal(err)
	}
	defer queue.Close()
	first, err := latest.Next()
	if err != nil {
		t.Fatal(err)
	}
	for done() < first.Job()+30 { // polls the daemon while it goes on in real time
	}
	ended := done()
	set, err := latest.Next()
	if err != nil {
		t.Fatal(err)
	}
	// One that the daemon has counted may not have been handed out yet.
	if g := set.Gap; set.Job()+2 < ended || set.Job() != first.Job()+1+g.MissingJobs || g.Dropped != g.MissingJobs ||
		g.Reconnects > 0 {
		t.Errorf("job %d after job %d when %d had ended: %+v", set.Job(), first.Job(), ended, g)
	}
	for want := first.Job() + 1; want < first.Job()+20; want++ {
		set, err := queue.Next()
		if err != nil {
			t.Fatal(err)
		}
		if set.Job() <= first.Job() {
			want = set.Job()
			continue
		}
		if set.Job() != want || set.Gap.Any() {
			t.Fatalf("job %d from the queue, want %d: %v", set.Job(), want, set.Gap)
		}
	}
}

// Without retries, and after giving up, the stream ends with the cause.
func TestStreamEnds(t *testing.T) {
	for name, retry := range map[string]facet.Retry{"off": {Off: true},
		"given up": {First: time.Millisecond, Longest: time.Millisecond, GiveUp: 20 * time.Millisecond}} {
		at, stop := daemon(t, "127.0.0.1:0")
		c, err := facet.Connect(at, facet.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		var last error
		sets := 0
		for _, err := range c.FrameSets(t.Context(), facet.StreamOptions{Retry: retry}) {
			if last = err; err == nil {
				sets++
				stop()
			}
		}
		var e *facet.Error
		if sets == 0 || !errors.As(last, &e) || e.Code != codes.Unavailable {
			t.Errorf("%s: after %d sets %v", name, sets, last)
		}
	}
	c, err := facet.Connect("127.0.0.1:1", facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := c.Subscribe(t.Context(), facet.StreamOptions{}); status.Code(err) != codes.Unavailable {
		t.Errorf("nobody there: %v", err)
	}
	if _, err := c.Subscribe(t.Context(), facet.StreamOptions{Queue: 1025}); err == nil {
		t.Error("a queue of 1025 was taken")
	}
}

// canned is a daemon that sends one frame set and notes the metadata of calls.
type canned struct {
	facetdv1.UnimplementedFrameServiceServer
	facetdv1.UnimplementedStatusServiceServer
	frame *facetdv1.Frame
	seen  chan metadata.MD
	// begins is what the streams begin with, one after another; each but the last ends then. One with nil
	// is silent.
	begins []*facetdv1.FollowBegun
	sets   map[int]*facetdv1.FrameSet // of those streams
	opened atomic.Int32
}

func (f *canned) FollowFrameSets(out grpc.BidiStreamingServer[facetdv1.FollowFrameSetsRequest,
	facetdv1.FollowFrameSetsResponse]) error {
	if len(f.begins) > 0 {
		return f.followBegins(out, int(f.opened.Add(1))-1)
	}
	begun := &facetdv1.FollowBegun{Identity: &facetdv1.Identity{InstanceId: "canned"}}
	if err := out.Send(&facetdv1.FollowFrameSetsResponse{Event: &facetdv1.FollowFrameSetsResponse_Begun{
		Begun: begun}}); err != nil || f.frame == nil {
		<-out.Context().Done()
		return err
	}
	return out.Send(&facetdv1.FollowFrameSetsResponse{Event: &facetdv1.FollowFrameSetsResponse_Delivery{
		Delivery: &facetdv1.FrameSetDelivery{FrameSet: &facetdv1.FrameSet{Task: "t",
			Frames: []*facetdv1.Frame{f.frame}}}}})
}

func (f *canned) followBegins(out grpc.BidiStreamingServer[facetdv1.FollowFrameSetsRequest,
	facetdv1.FollowFrameSetsResponse], n int) error {
	if f.begins[n] == nil {
		<-out.Context().Done()
		return nil
	}
	if err := out.Send(&facetdv1.FollowFrameSetsResponse{Event: &facetdv1.FollowFrameSetsResponse_Begun{
		Begun: f.begins[n]}}); err != nil || f.sets[n] == nil {
		return err
	}
	if err := out.Send(&facetdv1.FollowFrameSetsResponse{Event: &facetdv1.FollowFrameSetsResponse_Delivery{
		Delivery: &facetdv1.FrameSetDelivery{FrameSet: f.sets[n]}}}); err != nil || n < len(f.begins)-1 {
		return err
	}
	<-out.Context().Done()
	return nil
}

func (f *canned) GetStatus(ctx context.Context, _ *facetdv1.GetStatusRequest) (*facetdv1.GetStatusResponse, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	if f.seen == nil {
		return nil, status.Error(codes.Unimplemented, "not here")
	}
	f.seen <- md
	<-ctx.Done()
	return nil, ctx.Err()
}

func serve(t *testing.T, f *canned) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := grpc.NewServer()
	facetdv1.RegisterFrameServiceServer(s, f)
	facetdv1.RegisterStatusServiceServer(s, f)
	go func() { _ = s.Serve(l) }()
	t.Cleanup(s.Stop)
	return l.Addr().String()
}

// Frames that make no sense are refused on arrival, not when their pixels are used.
func TestHostileFrames(t *testing.T) {
	for want, f := range map[string]*facetdv1.Frame{
		"3 bytes of pixels, but 1 rows of 2 columns have 2": {Chip: "c", PixelFormat: "Mono16", Rows: 1, Columns: 2,
			Data: []byte{1, 2, 3}},
		"have 18446744065119617025 pixels": {Chip: "c", PixelFormat: "Mono16", Rows: 1<<32 - 1,
			Columns: 1<<32 - 1, Data: []byte{1, 2}},
		`pixel format "Mono8" is not known`: {Chip: "c", PixelFormat: "Mono8", Rows: 1, Columns: 2,
			Data: []byte{1, 2}},
	} {
		c, err := facet.Connect(serve(t, &canned{frame: f}), facet.Options{})
		if err != nil {
			t.Fatal(err)
		}
		var last error
		for set, err := range c.FrameSets(t.Context(), facet.StreamOptions{}) {
			if last = err; err == nil {
				t.Errorf("got %v", set.Frames())
			}
		}
		if last == nil || !strings.Contains(last.Error(), "frame of chip c") || !strings.Contains(last.Error(), want) {
			t.Errorf("%s: %v", want, last)
		}
		c.Close()
	}
}

// A token goes with every call, to this machine or through TLS alone; calls have a limit.
func TestTokenAndLimit(t *testing.T) {
	f := &canned{seen: make(chan metadata.MD, 1)}
	at := serve(t, f)
	c, err := facet.Connect(at, facet.Options{Token: "secret", Timeout: 30 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	_, err = c.Status(t.Context())
	if md := <-f.seen; len(md.Get("authorization")) != 1 || md.Get("authorization")[0] != "Bearer secret" {
		t.Errorf("metadata %v", md)
	}
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("a daemon that does not answer: %v", err)
	}
	for address, ok := range map[string]bool{
		"127.0.0.1:7660": true, "[::1]:7660": true, "localhost:7660": true, "unix:/run/facetd.sock": true,
		"[::ffff:127.0.0.1]:1": true,
		"10.0.0.7:7660":        false, "robot:7660": false, "localhost.example.org:7660": false, "0.0.0.0:1": false,
		"127.0.0.1.example.org:1": false,
	} {
		c, err := facet.Connect(address, facet.Options{Token: "secret"})
		if (err == nil) != ok {
			t.Errorf("%s: %v", address, err)
		}
		if err == nil {
			c.Close()
		}
	}
	secure, err := facet.Connect("robot:7660", facet.Options{Token: "secret", TLS: &tls.Config{}})
	if err != nil {
		t.Fatal(err)
	}
	secure.Close()
	if _, err := facet.Connect(" ", facet.Options{}); err == nil {
		t.Error("an empty address was taken")
	}
}
