package stream

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/api/peertest"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/failure"
)

func set(task string, job uint64, chips ...string) *facetdv1.FrameSet {
	fs := &facetdv1.FrameSet{Task: task, Job: job, SkewNs: 7}
	for _, c := range chips {
		fs.Frames = append(fs.Frames, &facetdv1.Frame{Chip: c, Data: []byte{1, 2}})
	}
	return fs
}

func subscribe(t *testing.T, h *Hub, o Options) *Subscription {
	t.Helper()
	s, err := h.Subscribe(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// read returns what waits, as "task/job -dropped".
func read(t *testing.T, s *Subscription, n int) []string {
	t.Helper()
	var got []string
	for range n {
		m, err := s.Next(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, fmt.Sprintf("%s/%d -%d (%d)", m.FrameSet.GetTask(), m.FrameSet.GetJob(), m.Dropped,
			m.DroppedTotal))
	}
	return got
}

func nothingWaits(t *testing.T, s *Subscription) {
	t.Helper()
	if _, n := s.counts(); n != 0 {
		t.Errorf("%d frame sets still wait", n)
	}
}

func TestLatestKeepsTheNewestOfEachTaskInTurn(t *testing.T) {
	h := NewHub()
	s := subscribe(t, h, Options{})
	h.Publish(set("slow", 0))
	for job := range uint64(4) {
		h.Publish(set("fast", job))
	}
	if got, want := read(t, s, 2), []string{"slow/0 -3 (3)", "fast/3 -0 (3)"}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	// The fast task had its turn; a newer set keeps the turn of the one it replaces.
	h.Publish(set("fast", 4))
	h.Publish(set("slow", 1))
	h.Publish(set("fast", 5))
	if got, want := read(t, s, 2), []string{"fast/5 -1 (4)", "slow/1 -0 (4)"}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	nothingWaits(t, s)
	if st := h.Stats(); st.Dropped[Latest] != 4 || st.Dropped[Queue] != 0 {
		t.Errorf("stats %+v", st)
	}
}

func TestQueueDropsTheOldest(t *testing.T) {
	h := NewHub()
	s := subscribe(t, h, Options{Policy: Queue, Length: 3})
	for job := range uint64(5) {
		h.Publish(set("a", job))
	}
	if got, want := read(t, s, 2), []string{"a/2 -2 (2)", "a/3 -0 (2)"}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	for job := range uint64(4) { // a fast task takes no place of a slow one
		h.Publish(set("b", job))
	}
	want := []string{"a/4 -1 (3)", "b/1 -0 (3)", "b/2 -0 (3)", "b/3 -0 (3)"}
	if got := read(t, s, 4); !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	nothingWaits(t, s)
	if st := h.Stats(); st.Dropped[Queue] != 3 || st.DroppedTotal() != 3 {
		t.Errorf("stats %+v", st)
	}
}

func TestBytesAreBounded(t *testing.T) {
	for _, policy := range []Policy{Latest, Queue} {
		h := NewHub()
		s := subscribe(t, h, Options{Policy: policy, Length: MaxQueue})
		big := &facetdv1.Frame{Data: make([]byte, MaxWaitingBytes/2)}
		for i := range 5 {
			h.Publish(&facetdv1.FrameSet{Task: fmt.Sprint("t", i), Frames: []*facetdv1.Frame{big}})
		}
		// One larger than the bound waits alone, in the turn of the one it replaces.
		huge := &facetdv1.FrameSet{Task: "t3", Frames: []*facetdv1.Frame{big, big, big}}
		h.Publish(huge)
		want := "t3/0 -5 (5)"
		if got := read(t, s, 1); got[0] != want {
			t.Errorf("%v: got %v, want %s", policy, got, want)
		}
		nothingWaits(t, s)
		if s.bytes != 0 {
			t.Errorf("%v: %d bytes counted as waiting, none do", policy, s.bytes)
		}
	}
}

func TestTasksWaitingUnderLatestAreBounded(t *testing.T) {
	h := NewHub()
	s := subscribe(t, h, Options{})
	for i := range MaxWaitingTasks + 2 {
		h.Publish(set(fmt.Sprint("t", i), 0))
	}
	if got := read(t, s, 1); got[0] != "t2/0 -2 (2)" {
		t.Errorf("got %v", got)
	}
}

func TestFilters(t *testing.T) {
	h := NewHub()
	tasks := subscribe(t, h, Options{Policy: Queue, Tasks: []string{"b", "none"}})
	chips := subscribe(t, h, Options{Policy: Queue, Chips: []string{"c2", "c3"}})
	sent := []*facetdv1.FrameSet{
		set("a", 0, "c1", "c2", "c3"), set("b", 1, "c1"), set("b", 2, "c4", "c2"), set("a", 3), set("", 4, "c2"),
	}
	before := make([]proto.Message, len(sent))
	for i, fs := range sent {
		before[i] = proto.Clone(fs)
		h.Publish(fs)
	}
	if got, want := read(t, tasks, 2), []string{"b/1 -0 (0)", "b/2 -0 (0)"}; !slices.Equal(got, want) {
		t.Errorf("by task: got %v, want %v", got, want)
	}
	nothingWaits(t, tasks)
	want := []*facetdv1.FrameSet{set("a", 0, "c2", "c3"), set("b", 2, "c2"), set("a", 3)}
	for _, w := range want {
		m, err := chips.Next(t.Context())
		if err != nil || !proto.Equal(m.FrameSet, w) {
			t.Errorf("by chip: got %v %v, want %v", m.FrameSet, err, w)
		}
	}
	nothingWaits(t, chips)
	for i, fs := range sent {
		if !proto.Equal(fs, before[i]) {
			t.Errorf("published frame set %d was changed to %v", i, fs)
		}
	}
}

// Every field of a frame set survives a filter by chip, also fields added later.
func TestCutKeepsEveryField(t *testing.T) {
	fs := set("a", 1, "c1")
	m := fs.ProtoReflect()
	for i := range m.Descriptor().Fields().Len() {
		d := m.Descriptor().Fields().Get(i)
		if d.IsList() || d.IsMap() || m.Has(d) {
			continue
		}
		switch d.Kind().String() {
		case "int64":
			m.Set(d, protoreflect.ValueOf(int64(i+1)))
		case "uint64":
			m.Set(d, protoreflect.ValueOf(uint64(i+1)))
		case "bool":
			m.Set(d, protoreflect.ValueOf(true))
		case "string":
			m.Set(d, protoreflect.ValueOf("x"))
		default:
			t.Fatalf("teach this test about %s (%s)", d.Name(), d.Kind())
		}
	}
	if got := newFilter(Options{Chips: []string{"c1"}}).cut(fs); !proto.Equal(got, fs) {
		t.Errorf("got %v, want %v", got, fs)
	}
}

func TestSubscribeRefuses(t *testing.T) {
	h := NewHub()
	for _, o := range []Options{{Policy: 7}, {Policy: Queue, Length: -1}, {Policy: Queue, Length: MaxQueue + 1}} {
		if _, err := h.Subscribe(o); err == nil {
			t.Errorf("%+v was taken", o)
		}
	}
	var subs []*Subscription
	for range MaxSubscribers {
		subs = append(subs, subscribe(t, h, Options{}))
	}
	if _, err := h.Subscribe(Options{}); !errors.Is(err, ErrFull) {
		t.Errorf("got %v, want ErrFull", err)
	}
	subs[3].Close()
	subs[3].Close()
	if n := h.Stats().Open; n != MaxSubscribers-1 {
		t.Errorf("%d open after one left", n)
	}
	subscribe(t, h, Options{})
}

func TestCloseHandsOutWhatWaitsThenTheReason(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := NewHub()
		s := subscribe(t, h, Options{Policy: Queue})
		idle := subscribe(t, h, Options{})
		h.Publish(set("a", 1))
		ended := make(chan error, 1)
		read(t, idle, 1)
		go func() { _, err := idle.Next(context.Background()); ended <- err }()
		synctest.Wait()
		h.Close("going down")
		h.Close("again")
		h.Publish(set("a", 2))
		var closed *failure.Unavailable
		if err := <-ended; !errors.As(err, &closed) || closed.Reason != "going down" {
			t.Errorf("a waiting reader got %v", err)
		}
		if got := read(t, s, 1); got[0] != "a/1 -0 (0)" {
			t.Errorf("got %v", got)
		}
		for range 2 {
			if _, err := s.Next(t.Context()); !errors.As(err, &closed) {
				t.Errorf("got %v", err)
			}
		}
		if _, err := h.Subscribe(Options{}); !errors.As(err, &closed) {
			t.Errorf("a closed hub gave %v to a new subscriber", err)
		}
	})
}

func TestNextEndsWithItsContextAndWithClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := NewHub()
		s := subscribe(t, h, Options{})
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		begin := time.Now()
		if _, err := s.Next(ctx); !errors.Is(err, context.DeadlineExceeded) || time.Since(begin) != time.Minute {
			t.Errorf("got %v after %v", err, time.Since(begin))
		}
		ended := make(chan error, 1)
		go func() { _, err := s.Next(context.Background()); ended <- err }()
		synctest.Wait()
		s.Close()
		if err := <-ended; err != ErrLeft {
			t.Errorf("got %v, want ErrLeft", err)
		}
	})
}

// A subscriber that never reads costs its own frames and nobody else's.
func TestASubscriberThatNeverReads(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const jobs = 1000
		h := NewHub()
		dead := []*Subscription{
			subscribe(t, h, Options{}), subscribe(t, h, Options{Policy: Queue}),
		}
		live := subscribe(t, h, Options{Policy: Queue, Length: 1})
		for job := range uint64(jobs) {
			begin := time.Now()
			h.Publish(set("a", job))
			if waited := time.Since(begin); waited != 0 {
				t.Fatalf("publish waited %v", waited)
			}
			if got, want := read(t, live, 1)[0], fmt.Sprintf("a/%d -0 (0)", job); got != want {
				t.Fatalf("got %s, want %s", got, want)
			}
		}
		st := h.Stats()
		if st.Dropped[Latest] != jobs-1 || st.Dropped[Queue] != jobs-DefaultQueue {
			t.Errorf("stats %+v", st)
		}
		for _, s := range dead {
			s.Close()
		}
		if st := h.Stats(); st.Abandoned != 1+DefaultQueue || st.Dropped[Latest] != jobs-1 || st.Open != 1 {
			t.Errorf("after they left: %+v", st)
		}
	})
}

// Whatever the interleaving, every frame set published to a subscriber is read,
// dropped or abandoned: none vanishes uncounted.
func TestNothingVanishes(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	const jobs, readers = 5000, 8
	h := NewHub()
	var wg sync.WaitGroup
	type count struct{ read, dropped uint64 }
	counts := make([]count, readers)
	for i := range readers {
		s := subscribe(t, h, Options{Policy: Policy(i % 2), Length: 1 + i})
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		wg.Go(func() {
			var last Message
			for {
				m, err := s.Next(context.Background())
				if err != nil {
					if m, n := s.counts(); n != 0 {
						t.Errorf("reader %d ended with %d waiting, %d dropped", i, n, m)
					}
					counts[i].dropped = last.DroppedTotal
					return
				}
				if m.DroppedTotal != last.DroppedTotal+m.Dropped {
					t.Errorf("reader %d: total %d after %d and %d more", i, m.DroppedTotal, last.DroppedTotal,
						m.Dropped)
				}
				last = m
				counts[i].read++
				for range r.IntN(300) {
					_ = r.Uint64()
				}
			}
		})
	}
	for job := range uint64(jobs) {
		h.Publish(set(fmt.Sprint("t", job%3), job))
	}
	h.Close("done")
	wg.Wait()
	var dropped uint64
	for i, c := range counts {
		if c.read+c.dropped != jobs {
			t.Errorf("reader %d read %d and lost %d of %d", i, c.read, c.dropped, jobs)
		}
		dropped += c.dropped
	}
	if st := h.Stats(); st.DroppedTotal() != dropped {
		t.Errorf("hub counted %d dropped, the readers %d", st.DroppedTotal(), dropped)
	}
}

func BenchmarkPublish(b *testing.B) {
	for _, n := range []int{0, 1, 16, MaxSubscribers} {
		b.Run(fmt.Sprintf("%d subscribers that never read", n), func(b *testing.B) {
			h := NewHub()
			for range n {
				if _, err := h.Subscribe(Options{}); err != nil {
					b.Fatal(err)
				}
			}
			fs := set("a", 1, "c1", "c2")
			b.ReportAllocs()
			for b.Loop() {
				h.Publish(fs)
			}
		})
	}
}

// corrector counts, and marks what it corrects.
type corrector struct{ begun, made int }

func (c *corrector) Begin(fs *facetdv1.FrameSet) func() *facetdv1.FrameSet {
	c.begun++
	return func() *facetdv1.FrameSet {
		c.made++
		out := proto.CloneOf(fs)
		for _, f := range out.GetFrames() {
			f.CorrectionMapId = "m"
		}
		return out
	}
}

// Corrected frame sets are made once for all who want them, when the first reads, and not
// at all where nobody does; others get the original itself.
func TestCorrectedOnceForAll(t *testing.T) {
	h, c := NewHub(), &corrector{}
	h.SetCorrector(c)
	raw := subscribe(t, h, Options{Policy: Queue})
	h.Publish(set("a", 0, "x", "y"))
	if c.begun != 0 {
		t.Errorf("%d corrections were begun for nobody", c.begun)
	}
	one := subscribe(t, h, Options{Policy: Queue, Corrected: true})
	two := subscribe(t, h, Options{Policy: Queue, Corrected: true, Chips: []string{"y"}})
	other := subscribe(t, h, Options{Policy: Queue, Corrected: true, Tasks: []string{"b"}})
	original := set("a", 1, "x", "y")
	h.Publish(original)
	h.Publish(set("a", 2, "x", "y"))
	if c.begun != 2 || c.made != 0 {
		t.Errorf("%d begun, %d made before anybody read", c.begun, c.made)
	}
	next := func(s *Subscription) *facetdv1.FrameSet {
		t.Helper()
		m, err := s.Next(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return m.FrameSet
	}
	first, cut := next(one), next(two)
	if c.made != 1 || first.GetFrames()[0].GetCorrectionMapId() != "m" || len(cut.GetFrames()) != 1 ||
		cut.GetFrames()[0] != first.GetFrames()[1] {
		t.Errorf("%d made; %v, %v", c.made, first, cut)
	}
	next(raw)
	if got := next(raw); got != original || got.GetFrames()[0].GetCorrectionMapId() != "" {
		t.Errorf("the raw frame set is %v", got)
	}
	nothingWaits(t, other)
}

// TestSuspend: subscriptions end with the reason once what waits was read, new ones are refused with it, and after
// Restore new ones are as any; one that has not come to its end gets nothing of what follows.
func TestSuspend(t *testing.T) {
	h := NewHub()
	s := subscribe(t, h, Options{Policy: Queue})
	h.Publish(set("a", 0))
	why := errors.New("stopped")
	h.Suspend(why)
	if _, err := h.Subscribe(Options{}); !errors.Is(err, why) {
		t.Errorf("a new subscription: %v", err)
	}
	h.Restore()
	next := subscribe(t, h, Options{Policy: Queue})
	h.Publish(set("a", 1))
	if got := read(t, s, 1); got[0] != "a/0 -0 (0)" {
		t.Errorf("what waited is %v", got)
	}
	if _, err := s.Next(t.Context()); !errors.Is(err, why) {
		t.Errorf("then it ended with %v", err)
	}
	if got := read(t, next, 1); got[0] != "a/1 -0 (0)" {
		t.Errorf("after the restore there is %v", got)
	}
}
