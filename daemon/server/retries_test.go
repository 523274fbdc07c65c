package server

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
)

// cutter is a way to a daemon on which every connection is cut after a random number of bytes, in the middle of
// requests and of answers.
type cutter struct {
	net.Listener
	to  atomic.Pointer[string]
	cut atomic.Int64

	mu  sync.Mutex
	rnd *rand.Rand
}

func newCutter(t *testing.T, seed uint64) *cutter {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cutter{Listener: l, rnd: rand.New(rand.NewPCG(seed, 2))}
	var running sync.WaitGroup
	running.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			running.Go(func() { c.carry(conn) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		running.Wait()
	})
	return c
}

// carry connects two ends until one of them has sent as much as it may.
func (c *cutter) carry(conn net.Conn) {
	defer conn.Close()
	there, err := net.Dial("tcp", *c.to.Load())
	if err != nil {
		return
	}
	defer there.Close()
	c.mu.Lock()
	up, down := int64(150+c.rnd.IntN(1500)), int64(100+c.rnd.IntN(1000))
	c.mu.Unlock()
	ended := make(chan struct{}, 2)
	copying := func(to io.Writer, from io.Reader, most int64) {
		if n, _ := io.Copy(to, io.LimitReader(from, most)); n == most {
			c.cut.Add(1)
		}
		ended <- struct{}{}
	}
	go copying(there, conn, up)
	go copying(conn, there, down)
	<-ended
	conn.Close()
	there.Close()
	<-ended
}

// client makes requests over a cutter, each until it is answered.
type client struct {
	t     *testing.T
	tasks facetdv1.TaskServiceClient
	rnd   *rand.Rand
	tries int
}

func newClient(t *testing.T, c *cutter, seed uint64) *client {
	t.Helper()
	conn, err := grpc.NewClient(c.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: backoff.Config{BaseDelay: time.Millisecond, Multiplier: 1.1,
			MaxDelay: 5 * time.Millisecond}, MinConnectTimeout: time.Second}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return &client{t: t, tasks: facetdv1.NewTaskServiceClient(conn), rnd: rand.New(rand.NewPCG(seed, 3))}
}

// apply makes changes: it sends them again with the same id until there is an answer. Deadlines pass in the middle.
func (c *client) apply(id string, changes *facetdv1.TaskChanges) *facetdv1.ApplyTasksResponse {
	c.t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); {
		c.tries++
		limit := time.Duration(1+c.rnd.IntN(60)) * time.Millisecond
		ctx, cancel := context.WithTimeout(c.t.Context(), limit)
		r, err := c.tasks.ApplyTasks(ctx, &facetdv1.ApplyTasksRequest{Changes: changes, RequestId: id})
		cancel()
		switch status.Code(err) {
		case codes.OK:
			return r
		case codes.Unavailable, codes.DeadlineExceeded, codes.Canceled, codes.Internal:
		default:
			c.t.Fatalf("%s: %v", id, err)
		}
	}
	c.t.Fatalf("%s: no answer", id)
	return nil
}

// model is what the tasks are to be.
type model map[string]float64

// next is a random change of one task, made in the model too.
func (m model) next(rnd *rand.Rand) *facetdv1.TaskChanges {
	groups := []string{"bow", "bed", "wall"}
	name, rate := fmt.Sprint("t", rnd.IntN(5)), float64(1+rnd.IntN(4))
	task := groupTask(name, groups[rnd.IntN(len(groups))], rate)
	was, running := m[name]
	switch {
	case !running:
		m[name] = rate
		return &facetdv1.TaskChanges{Add: []*facetdv1.Task{task}}
	case rnd.IntN(2) == 0 && was != rate:
		m[name] = rate
		return &facetdv1.TaskChanges{Update: []*facetdv1.TaskUpdate{{Task: task}}}
	}
	delete(m, name)
	return &facetdv1.TaskChanges{Remove: []*facetdv1.TaskRemoval{{Name: name}}}
}

func (m model) String() string {
	var out []string
	for name, rate := range m {
		out = append(out, fmt.Sprintf("%s %g", name, rate))
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

// countChanges counts the events that tell of a task that came, went or changed, until its daemon goes.
func (p *process) countChanges() *atomic.Int64 {
	p.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	p.t.Cleanup(cancel)
	stream, err := facetdv1.NewEventServiceClient(p.dial(p.Addresses().GRPC)).StreamEvents(ctx,
		&facetdv1.StreamEventsRequest{Filter: &facetdv1.EventFilter{Kinds: []facetdv1.EventKind{
			facetdv1.EventKind_EVENT_KIND_TASK_ADDED, facetdv1.EventKind_EVENT_KIND_TASK_CHANGED,
			facetdv1.EventKind_EVENT_KIND_TASK_REMOVED}}})
	if err != nil {
		p.t.Fatal(err)
	}
	if _, err := stream.Header(); err != nil { // it has begun
		p.t.Fatal(err)
	}
	n := &atomic.Int64{}
	go func() {
		for {
			r, err := stream.Recv()
			if err != nil {
				return
			}
			if r.GetEvent() != nil {
				n.Add(1)
			}
		}
	}()
	return n
}

// TestRetriesAreMadeOnce: requests are sent again and again, over connections that are cut in the middle of anything,
// with deadlines that pass in the middle of anything. Every change is made once: the tasks, their revision and the
// events say so.
func TestRetriesAreMadeOnce(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	s := newSite(t)
	s.write("facetd.yaml",
		"array: array.yaml\nlisten: {grpc: '127.0.0.1:0', http: '127.0.0.1:0'}\nscene: uniform:200\n"+
			"data: "+filepath.Join(s.dir, "data")+"\n")
	p := s.start()
	eventually(t, "it runs", func() bool { return p.Status().GetState() == facetdv1.State_STATE_RUNNING })
	events := p.countChanges()
	cut := newCutter(t, seed)
	cut.to.Store(proto.String(p.Addresses().GRPC))
	c := newClient(t, cut, seed)
	rnd := rand.New(rand.NewPCG(seed, 4))
	m := model{}
	n := peertest.Cases(40, 10_000)
	begin := p.listed()
	for i := range n {
		r := c.apply(fmt.Sprint("request ", i), m.next(rnd))
		if want := begin.GetRevision() + uint64(i) + 1; r.GetRevision() != want {
			t.Fatalf("change %d made revision %d, want %d", i, r.GetRevision(), want)
		}
	}
	now := p.listed()
	if got := p.running(); got != m.String() || now.GetRevision() != begin.GetRevision()+uint64(n) {
		t.Errorf("%d changes in %d tries: revision %d after %d, tasks %s, want %s", n, c.tries, now.GetRevision(),
			begin.GetRevision(), got, m)
	}
	eventually(t, "every change is told", func() bool { return events.Load() >= int64(n) })
	if got := events.Load(); got != int64(n) {
		t.Errorf("%d events for %d changes", got, n)
	}
	t.Logf("%d changes in %d tries, %d connections cut", n, c.tries, cut.cut.Load())
	if c.tries < n+n/20 || cut.cut.Load() == 0 {
		t.Errorf("%d tries for %d changes show nothing", c.tries, n)
	}
}

func (p *process) listed() *facetdv1.ListTasksResponse {
	p.t.Helper()
	r, err := p.tasks().ListTasks(limited(p.t), &facetdv1.ListTasksRequest{})
	if err != nil {
		p.t.Fatal(err)
	}
	return r
}

// A retry finds the answer of the first over a restart of the daemon, and its id is not for another request.
func TestRetryOverARestart(t *testing.T) {
	t.Parallel()
	s := withData(t)
	p := s.start()
	request := &facetdv1.ApplyTasksRequest{RequestId: "once", Changes: &facetdv1.TaskChanges{
		Add:    []*facetdv1.Task{groupTask("extra", "bed", 3)},
		Remove: []*facetdv1.TaskRemoval{{Name: "bow"}}}}
	first, err := p.tasks().ApplyTasks(limited(t), request)
	if err != nil {
		t.Fatal(err)
	}
	created := &facetdv1.CreateTaskRequest{RequestId: "and this", Task: groupTask("more", "bow", 2)}
	second, err := p.tasks().CreateTask(limited(t), created)
	if err != nil || second.GetRevision() != first.GetRevision()+1 {
		t.Fatalf("%v %v", second, err)
	}
	for range 2 {
		p.end()
		p = s.start()
		p.runs("extra 3, more 2")
		again, err := p.tasks().ApplyTasks(limited(t), request)
		if err != nil || again.GetRevision() != first.GetRevision() ||
			again.GetEffectiveBusNs() != first.GetEffectiveBusNs() ||
			again.GetTasks()[0].GetTask().GetName() != "extra" {
			t.Errorf("%v %v, first %v", again, err, first)
		}
		once, err := p.tasks().CreateTask(limited(t), created)
		if err != nil || once.GetRevision() != second.GetRevision() || once.GetTask().GetTask().GetName() != "more" {
			t.Errorf("%v %v, first %v", once, err, second)
		}
		other := proto.CloneOf(created)
		other.Task.RateHz = 4
		if _, err := p.tasks().CreateTask(limited(t), other); status.Code(err) != codes.AlreadyExists {
			t.Errorf("another request of the id: %v", err)
		}
		if now := p.listed(); now.GetRevision() != second.GetRevision() {
			t.Errorf("revision %d, want %d", now.GetRevision(), second.GetRevision())
		}
	}
	p.end()
}
