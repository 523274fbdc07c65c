package api

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
)

const instance = "one"

// world is tasks whose jobs end when a test says so, as a dispatcher has them: the tasks are known before what ends of
// them, and what ends is counted before it is handed out.
type world struct {
	r        *rig
	revision uint64
	tasks    []*facetdv1.RunningTask
}

func newWorld(t testing.TB, names ...string) *world {
	t.Helper()
	w := &world{r: start(t)}
	w.r.cfg.Info.Instance = instance
	for _, n := range names {
		w.make(n)
	}
	return w
}

func (w *world) find(name string) *facetdv1.RunningTask { return findTask(w.tasks, name) }

// changed shows the tasks.
func (w *world) changed() {
	shown := make([]*facetdv1.RunningTask, len(w.tasks))
	names := make([]string, len(w.tasks))
	for i, t := range w.tasks {
		names[i] = t.GetTask().GetName()
		shown[i] = &facetdv1.RunningTask{Task: t.GetTask(), Generation: t.GetGeneration(),
			FirstJob: proto.Uint64(t.GetFirstJob()),
			Status: &facetdv1.TaskStatus{JobsEnded: t.GetStatus().GetJobsEnded(),
				Paused: t.GetStatus().GetPaused()}}
	}
	w.r.fake.set(func(f *fake) { f.snap.Tasks = shown })
	w.r.hub.SetTasks(names)
}

func (w *world) make(name string) {
	w.revision++
	target := &facetdv1.Target{Chips: &facetdv1.Target_All{All: &facetdv1.AllChips{}}}
	w.tasks = append(w.tasks, &facetdv1.RunningTask{Task: &facetdv1.Task{Name: name, Target: target},
		Generation: w.revision, Status: &facetdv1.TaskStatus{}})
	w.changed()
}

func (w *world) change(name string) {
	w.revision++
	t := w.find(name)
	t.Generation, t.FirstJob = w.revision, proto.Uint64(t.GetStatus().GetJobsEnded())
	w.changed()
}

func (w *world) remove(name string) {
	w.tasks = slices.DeleteFunc(w.tasks, func(t *facetdv1.RunningTask) bool { return t.GetTask().GetName() == name })
	w.changed()
}

// end ends n jobs of a task.
func (w *world) end(name string, n int) {
	t := w.find(name)
	for range n {
		fs := frameSet(name, t.GetStatus().GetJobsEnded(), w.r.array.Chips[0].Name, 2)
		fs.TaskGeneration = t.GetGeneration()
		t.Status.JobsEnded++
		w.r.fake.set(func(f *fake) {
			f.snap.Tasks = slices.Clone(f.snap.Tasks) // those of snapshots stay
			for i, shown := range f.snap.Tasks {
				if shown.GetTask().GetName() == name {
					shown = proto.CloneOf(shown)
					shown.Status = &facetdv1.TaskStatus{JobsEnded: t.GetStatus().GetJobsEnded(),
						Paused: t.GetStatus().GetPaused()}
					f.snap.Tasks[i] = shown
				}
			}
		})
		w.r.hub.Publish(fs)
	}
}

// following is a stream with its client's side.
type following struct {
	t testing.TB
	facetdv1.FrameService_FollowFrameSetsClient
	begun *facetdv1.FollowBegun
}

func (w *world) follow(t testing.TB, start *facetdv1.FollowStart) *following {
	t.Helper()
	s, err := facetdv1.NewFrameServiceClient(w.r.conn).FollowFrameSets(limited(t))
	if err == nil {
		err = s.Send(&facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Start{Start: start}})
	}
	if err != nil {
		t.Fatal(err)
	}
	m, err := s.Recv()
	if err != nil {
		t.Fatal(err)
	}
	return &following{t, s, m.GetBegun()}
}

func (f *following) grant(n uint32) {
	f.t.Helper()
	if err := f.Send(&facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Grant{
		Grant: &facetdv1.FollowGrant{FrameSets: n}}}); err != nil {
		f.t.Fatal(err)
	}
}

// said is one response in a few words.
func said(m *facetdv1.FollowFrameSetsResponse) string {
	switch {
	case m.GetDelivery() != nil:
		d := m.GetDelivery()
		return fmt.Sprintf("%s:%d/%d -%d", d.GetFrameSet().GetTask(), d.GetFrameSet().GetTaskGeneration(),
			d.GetFrameSet().GetJob(), d.GetLeftOut())
	case m.GetTaskNotice() != nil:
		n := m.GetTaskNotice()
		return strings.ToLower(strings.TrimPrefix(n.GetChange().String(), "TASK_CHANGE_")) +
			fmt.Sprintf(" %s:%d", n.GetTask(), n.GetGeneration())
	case m.GetHeartbeat() != nil:
		return "heartbeat"
	}
	return m.String()
}

// next are the next responses.
func (f *following) next(n int) (out []string) {
	f.t.Helper()
	for range n {
		m, err := f.Recv()
		if err != nil {
			f.t.Fatalf("after %v: %v", out, err)
		}
		out = append(out, said(m))
	}
	return out
}

func (f *following) expect(want ...string) {
	f.t.Helper()
	if got := f.next(len(want)); !slices.Equal(got, want) {
		f.t.Errorf("got %q, want %q", got, want)
	}
}

// TestNothingIsSentThatWasNotGranted: what is granted is the newest there is at that time, and what was left out is
// counted.
func TestNothingIsSentThatWasNotGranted(t *testing.T) {
	w := newWorld(t, "ring", "bed")
	w.end("ring", 5)
	s := w.follow(t, &facetdv1.FollowStart{})
	if b := s.begun; len(b.GetTasks()) != 2 || b.GetTasks()[0].GetJobsEnded() != 5 || b.GetSameInstance() ||
		b.GetIdentity().GetInstanceId() != instance || b.GetIdentity().GetName() != w.r.array.Name {
		t.Fatalf("begun %v", b)
	}
	w.end("ring", 100)
	w.end("bed", 1)
	s.grant(1)
	s.expect("ring:1/104 -99")
	w.end("ring", 3)
	w.end("bed", 2)
	s.grant(2)
	s.expect("bed:2/2 -2", "ring:1/107 -2")
	s.grant(3)
	w.end("ring", 1)
	s.expect("ring:1/108 -0")
	if err := s.CloseSend(); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Recv(); err != io.EOF {
		t.Errorf("a stream whose client has closed it ends with %v", err)
	}
}

// TestTasksAreToldInTheStream: after the last frame set of the generation before, before the first of the next.
func TestTasksAreToldInTheStream(t *testing.T) {
	w := newWorld(t, "ring", "bed")
	s := w.follow(t, &facetdv1.FollowStart{Overflow: facetdv1.Overflow_OVERFLOW_QUEUE})
	w.make("comb")
	s.expect("added comb:3")
	w.end("ring", 2)
	w.change("ring")
	w.end("ring", 1)
	w.remove("bed")
	s.expect("removed bed:2") // nothing of it waits
	s.grant(2)
	s.expect("ring:1/0 -0", "ring:1/1 -0")
	s.grant(1)
	s.expect("replaced ring:4", "ring:4/2 -0")
	w.end("ring", 1)
	w.remove("ring")
	w.make("ring")
	w.end("ring", 1)
	s.grant(2)
	s.expect("ring:4/3 -0", "replaced ring:5", "ring:5/0 -0")
	w.change("comb") // of which nothing has ended
	s.expect("replaced comb:6")
}

// TestResume: what was missed is said exactly, and what is of another instance or generation is not mixed up.
func TestResume(t *testing.T) {
	w := newWorld(t, "ring", "bed", "comb")
	w.end("ring", 10)
	w.end("bed", 10)
	w.change("bed")
	w.end("bed", 3)
	after := []*facetdv1.TaskPosition{{Task: "ring", Generation: 1, Job: 6}, {Task: "bed", Generation: 2, Job: 4},
		{Task: "gone", Generation: 1, Job: 7}}
	of := func(b *facetdv1.FollowBegun) (out []string) {
		for _, t := range b.GetTasks() {
			out = append(out, fmt.Sprintf("%s:%d/%d %v -%d", t.GetTask(), t.GetGeneration(), t.GetJobsEnded(),
				t.GetResumed(), t.GetMissed()))
		}
		return out
	}
	s := w.follow(t, &facetdv1.FollowStart{InstanceId: instance, After: after})
	want := []string{"ring:1/10 true -3", "bed:4/13 false -0", "comb:3/0 false -0"}
	if got := of(s.begun); !s.begun.GetSameInstance() || !slices.Equal(got, want) {
		t.Errorf("resumed as %q, want %q", got, want)
	}
	s = w.follow(t, &facetdv1.FollowStart{InstanceId: "another", After: after})
	want[0] = "ring:1/10 false -0"
	if got := of(s.begun); s.begun.GetSameInstance() || !slices.Equal(got, want) {
		t.Errorf("after a restart resumed as %q, want %q", got, want)
	}
	for _, p := range []*facetdv1.TaskPosition{{Task: "ring", Generation: 1, Job: 10}, {Task: "ring", Generation: 9}} {
		code, text := w.refused(t, &facetdv1.FollowStart{InstanceId: instance, After: []*facetdv1.TaskPosition{p}})
		if code != codes.OutOfRange || !strings.Contains(text, "still to come") {
			t.Errorf("position %v: %v %s", p, code, text)
		}
	}
}

func (w *world) refused(t testing.TB, requests ...any) (codes.Code, string) {
	t.Helper()
	s, err := facetdv1.NewFrameServiceClient(w.r.conn).FollowFrameSets(limited(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range requests {
		m := &facetdv1.FollowFrameSetsRequest{}
		switch r := r.(type) {
		case *facetdv1.FollowStart:
			m.Request = &facetdv1.FollowFrameSetsRequest_Start{Start: r}
		case *facetdv1.FollowGrant:
			m.Request = &facetdv1.FollowFrameSetsRequest_Grant{Grant: r}
		}
		if err := s.Send(m); err != nil && err != io.EOF {
			t.Fatal(err)
		}
	}
	_ = s.CloseSend()
	for {
		if _, err := s.Recv(); err != nil {
			st := status.Convert(err)
			var fields []string
			for _, d := range st.Details() {
				if bad, is := d.(*errdetails.BadRequest); is {
					for _, v := range bad.GetFieldViolations() {
						fields = append(fields, v.GetField())
					}
				}
			}
			return st.Code(), strings.Join(append(fields, st.Message()), " ")
		}
	}
}

// TestFollowRefusals names the field of each.
func TestFollowRefusals(t *testing.T) {
	w := newWorld(t, "ring", "bed")
	chip := w.r.array.Chips[1].Name
	w.find("ring").Task.Target = &facetdv1.Target{Chips: &facetdv1.Target_List{
		List: &facetdv1.ChipList{Names: []string{w.r.array.Chips[0].Name}}}}
	w.changed()
	ok := &facetdv1.FollowStart{FrameSets: 1000}
	for _, c := range []struct {
		name     string
		requests []any
		code     codes.Code
		with     string
	}{
		{"nothing", nil, codes.InvalidArgument, "without a request"},
		{"a grant first", []any{&facetdv1.FollowGrant{FrameSets: 1}}, codes.InvalidArgument, "start"},
		{"many", []any{&facetdv1.FollowStart{FrameSets: MaxGranted + 1}}, codes.InvalidArgument, "start.frame_sets"},
		{"two starts", []any{ok, ok}, codes.InvalidArgument, "grant"},
		{"a grant of none", []any{ok, &facetdv1.FollowGrant{}}, codes.InvalidArgument, "grant.frame_sets"},
		{"too much", []any{ok, &facetdv1.FollowGrant{FrameSets: 25}}, codes.InvalidArgument, "grant.frame_sets"},
		{"beats", []any{&facetdv1.FollowStart{HeartbeatInterval: durationpb.New(time.Millisecond)}},
			codes.InvalidArgument, "start.heartbeat_interval"},
		{"length", []any{&facetdv1.FollowStart{QueueLength: 3}}, codes.InvalidArgument, "start.queue_length"},
		{"rate", []any{&facetdv1.FollowStart{MaxRateHz: -1}}, codes.InvalidArgument, "start.max_rate_hz"},
		{"no such chip", []any{&facetdv1.FollowStart{Selection: &facetdv1.FrameSelection{Chips: []string{"x"}}}},
			codes.InvalidArgument, "start.selection.chips[0]"},
		{"never", []any{&facetdv1.FollowStart{Selection: &facetdv1.FrameSelection{Tasks: []string{"ring"},
			Chips: []string{chip}}}}, codes.InvalidArgument, "none of the tasks named reads"},
		{"no such task", []any{&facetdv1.FollowStart{Selection: &facetdv1.FrameSelection{Tasks: []string{"x"}}}},
			codes.NotFound, "x"},
		{"of no instance", []any{&facetdv1.FollowStart{After: []*facetdv1.TaskPosition{{Task: "ring"}}}},
			codes.InvalidArgument, "start.after[0]"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if code, text := w.refused(t, c.requests...); code != c.code || !strings.Contains(text, c.with) {
				t.Errorf("%v %s, want %v with %s", code, text, c.code, c.with)
			}
		})
	}
	if n := w.r.Status().GetStreams(); n != 0 {
		t.Errorf("%d streams are left open", n)
	}
}

// TestHeartbeats come where a client waits and there is nothing, and only there.
func TestHeartbeats(t *testing.T) {
	w := newWorld(t, "ring")
	w.end("ring", 4)
	s := w.follow(t, &facetdv1.FollowStart{HeartbeatInterval: durationpb.New(minHeartbeat), FrameSets: 1})
	m, err := s.Recv()
	if err != nil || m.GetHeartbeat() == nil {
		t.Fatalf("got %v, %v", m, err)
	}
	b := m.GetHeartbeat()
	if len(b.GetTasks()) != 1 || b.GetTasks()[0].GetJobsEnded() != 4 || b.GetTasks()[0].GetGeneration() != 1 ||
		b.GetState() != facetdv1.State_STATE_RUNNING {
		t.Errorf("heartbeat %v", b)
	}
	w.end("ring", 1)
	for {
		if got := s.next(1)[0]; got != "heartbeat" {
			if got != "ring:1/4 -0" {
				t.Errorf("got %s", got)
			}
			break
		}
	}
	// Nothing is granted any more: no heartbeats pile up.
	time.Sleep(4 * minHeartbeat)
	w.end("ring", 1)
	s.grant(1)
	s.expect("ring:1/5 -0")
}

// TestFollowAccountsForAll: random jobs, changes, grants and policies. Every job that ends while the stream is open is
// delivered or counted, in order; a generation is told before its first frame set.
func TestFollowAccountsForAll(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 3))
	w := newWorld(t, "a", "b", "c")
	for range 12 {
		start := &facetdv1.FollowStart{FrameSets: uint32(rng.IntN(3))}
		if rng.IntN(2) == 0 {
			start.Overflow, start.QueueLength = facetdv1.Overflow_OVERFLOW_QUEUE, uint32(1+rng.IntN(5))
		}
		for _, n := range []string{"a", "b", "c"} {
			if w.find(n) == nil {
				w.make(n)
			}
		}
		s := w.follow(t, start)
		v := newValidator(s.begun)
		done := make(chan error, 1)
		go func() { done <- v.all(s.FrameService_FollowFrameSetsClient) }()
		granted := start.GetFrameSets()
		for range 150 {
			name := string(rune('a' + rng.IntN(3)))
			switch n := rng.IntN(12); {
			case n < 6 && w.find(name) != nil:
				w.end(name, 1+rng.IntN(3))
			case n == 6 && w.find(name) != nil:
				w.change(name)
			case n == 7 && w.find(name) != nil:
				w.remove(name)
			case n == 8 && w.find(name) == nil:
				w.make(name)
			case n > 8 && granted < 900:
				more := uint32(1 + rng.IntN(3))
				s.grant(more)
				granted += more
			}
		}
		s.grant(100)
		for _, n := range []string{"a", "b", "c"} { // the last of each says what came before it
			if w.find(n) == nil {
				w.make(n)
			}
			w.end(n, 1)
		}
		v.until(t, w.tasks)
		_ = s.CloseSend()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
	}
}

// TestWait: the newest of each task that is newer than what one has, at once or when it comes.
func TestWait(t *testing.T) {
	w := newWorld(t, "ring", "bed")
	client := facetdv1.NewFrameServiceClient(w.r.conn)
	ask := func(ctx context.Context, q *facetdv1.WaitFrameSetsRequest) []string {
		t.Helper()
		q.InstanceId = instance
		a, err := client.WaitFrameSets(ctx, q)
		if err != nil {
			t.Fatal(err)
		}
		var out []string
		for _, d := range a.GetDeliveries() {
			out = append(out, said(&facetdv1.FollowFrameSetsResponse{
				Event: &facetdv1.FollowFrameSetsResponse_Delivery{Delivery: d}}))
		}
		return out
	}
	ctx := limited(t)
	if got := ask(ctx, &facetdv1.WaitFrameSetsRequest{Wait: durationpb.New(0)}); got != nil {
		t.Errorf("nothing has ended, and there is %v", got)
	}
	w.end("ring", 3)
	w.end("bed", 2)
	if got, want := ask(ctx, &facetdv1.WaitFrameSetsRequest{}), []string{"bed:2/1 -0", "ring:1/2 -0"}; !slices.Equal(
		got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	had := []*facetdv1.TaskPosition{{Task: "ring", Generation: 1, Job: 2}, {Task: "bed", Generation: 2, Job: 1}}
	answer := make(chan []string)
	go func() {
		answer <- ask(ctx, &facetdv1.WaitFrameSetsRequest{NewerThan: had, Wait: durationpb.New(MaxWait)})
	}()
	w.end("ring", 1)
	if got, want := <-answer, []string{"ring:1/3 -0"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	w.end("ring", 4)
	w.change("bed")
	w.end("bed", 1)
	want := []string{"bed:3/2 -0", "ring:1/7 -4"} // of bed it has nothing any more
	if got := ask(ctx, &facetdv1.WaitFrameSetsRequest{NewerThan: had}); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	_, err := client.WaitFrameSets(ctx, &facetdv1.WaitFrameSetsRequest{Wait: durationpb.New(time.Hour),
		Selection: &facetdv1.FrameSelection{Chips: []string{"x"}}})
	if st := status.Convert(err); st.Code() != codes.InvalidArgument || !strings.Contains(st.Message(), "wait") ||
		!strings.Contains(st.Message(), "selection.chips[0]") {
		t.Errorf("refused with %v", err)
	}
	w.r.hub.Close("gone")
	if _, err := client.WaitFrameSets(ctx, &facetdv1.WaitFrameSetsRequest{}); status.Code(err) != codes.Unavailable {
		t.Errorf("after the end: %v", err)
	}
}
