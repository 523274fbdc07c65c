package replay

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/framedigest"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/demo"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
	"facetd.example/daemon/record"
)

// watcher keeps what an observer was notified of.
type watcher struct {
	mu     sync.Mutex
	sets   []*facetdv1.FrameSet
	at     []time.Time
	plans  []*facetdv1.Plan
	epochs []int64 // when the plans took effect
	zeros  []int64 // when their first cycles began
	broken []rules.Violation
	// seen, where set, is called after every frame set.
	seen func(n int)
}

func (w *watcher) SegmentRun(string, *bus.Result, dispatch.WordCount) {}
func (w *watcher) JobEnded(fs *facetdv1.FrameSet) {
	w.mu.Lock()
	w.sets = append(w.sets, fs)
	w.at = append(w.at, time.Now())
	n := len(w.sets)
	w.mu.Unlock()
	if w.seen != nil {
		w.seen(n)
	}
}
func (w *watcher) PlanChanged(p *facetdv1.Plan, at, epoch bus.Time) {
	w.mu.Lock()
	w.plans = append(w.plans, p)
	w.epochs = append(w.epochs, at.NS())
	w.zeros = append(w.zeros, epoch.NS())
	w.mu.Unlock()
}
func (w *watcher) Violated(v rules.Violation) {
	w.mu.Lock()
	w.broken = append(w.broken, v)
	w.mu.Unlock()
}

func (w *watcher) count() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.sets)
}

func digest(sets []*facetdv1.FrameSet) string {
	d := framedigest.New()
	for _, fs := range sets {
		d.Add(fs)
	}
	return d.Sum()
}

// both tells two observers.
type both struct{ a, b dispatch.Observer }

func (o both) SegmentRun(t string, r *bus.Result, w dispatch.WordCount) {
	o.a.SegmentRun(t, r, w)
	o.b.SegmentRun(t, r, w)
}
func (o both) JobEnded(fs *facetdv1.FrameSet) { o.a.JobEnded(fs); o.b.JobEnded(fs) }
func (o both) PlanChanged(p *facetdv1.Plan, at, epoch bus.Time) {
	o.a.PlanChanged(p, at, epoch)
	o.b.PlanChanged(p, at, epoch)
}
func (o both) Violated(v rules.Violation) { o.a.Violated(v); o.b.Violated(v) }

// session is a recorded run of the demo.
type session struct {
	files []string
	live  *watcher
	final dispatch.Snapshot
}

// run records a second of the demo on the virtual bus, with a task that comes half-way,
// in files small enough that there are several. It is done once.
var run = sync.OnceValues(func() (*session, error) {
	a, err := demo.Array()
	if err != nil {
		return nil, err
	}
	tasks, err := demo.Tasks()
	if err != nil {
		return nil, err
	}
	light, err := scene.Parse("uniform:200", nil)
	if err != nil {
		return nil, err
	}
	b, err := virtual.New(virtual.Config{Array: a, Scene: light, Pace: facetdv1.Pace_PACE_FREE, Seed: 4})
	if err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp("", "replay")
	if err != nil {
		return nil, err
	}
	live := &watcher{}
	var d *dispatch.Dispatcher
	m, err := record.NewManager(record.Config{
		Dir: dir, Array: a, HostTime: b.HostTime, Now: b.Now, KeepFree: 1,
		Status: func() *facetdv1.Status { return &facetdv1.Status{BusNs: b.Now().NS()} },
	})
	if err != nil {
		return nil, err
	}
	d, err = dispatch.New(dispatch.Config{Array: a, Bus: b, Observer: both{live, m}, Logger: zap.NewNop(),
		Inspector: b.Inspector(), Tasks: tasks[1:], StopAt: bus.Time(time.Second)})
	if err != nil {
		return nil, err
	}
	if _, err := m.Start("s", &facetdv1.RecordingOptions{PartBytes: record.MinPartBytes}); err != nil {
		return nil, err
	}
	var added atomic.Bool
	begun := false
	live.seen = func(n int) {
		if n == 20 && !begun {
			begun = true
			go func() {
				d.Apply(context.Background(), &facetdv1.TaskChanges{Add: tasks[:1]})
				added.Store(true)
			}()
		}
		if begun && !added.Load() {
			time.Sleep(20 * time.Millisecond) // the bus goes slowly until the request is done
		}
	}
	if err := d.Run(context.Background()); err != nil {
		return nil, err
	}
	rec, err := m.Stop(context.Background(), "s")
	if err != nil || rec.GetLost() > 0 {
		return nil, fmt.Errorf("%d lost, %v", rec.GetLost(), err)
	}
	s := &session{live: live, final: d.Snapshot()}
	for _, p := range rec.GetParts() {
		s.files = append(s.files, filepath.Join(dir, p.GetFile()))
	}
	return s, b.Close()
})

func recorded(t *testing.T) *session {
	t.Helper()
	s, err := run()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		if s, err := run(); err == nil {
			_ = os.RemoveAll(filepath.Dir(s.files[0]))
		}
		os.Exit(code)
	}))
}

func player(t *testing.T, c Config) (*Player, *watcher) {
	t.Helper()
	w := &watcher{}
	c.Observer = w
	if c.Files == nil {
		c.Files = recorded(t).files
	}
	p, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = p.Close() })
	return p, w
}

// runUntil plays until a number of frame sets has come.
func runUntil(t *testing.T, p *Player, w *watcher, n int) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	w.seen = func(k int) {
		if k >= n {
			cancel()
		}
	}
	if err := p.Run(ctx); err != nil {
		t.Fatal(err)
	}
}

// A replay tells observers the same as the run did: every frame set whole and in order,
// and every timetable with its epoch. Two replays agree, and the counts end up the same.
func TestReplayEqualsTheRun(t *testing.T) {
	s := recorded(t)
	if len(s.files) < 2 || len(s.live.plans) != 2 {
		t.Fatalf("%d files, %d plans: the test shows too little", len(s.files), len(s.live.plans))
	}
	for range 2 {
		p, w := player(t, Config{})
		runUntil(t, p, w, len(s.live.sets))
		if digest(w.sets) != digest(s.live.sets) {
			t.Errorf("%d frame sets %s, in the run %d %s", len(w.sets), digest(w.sets), len(s.live.sets),
				digest(s.live.sets))
		}
		for i := range w.sets {
			if !proto.Equal(w.sets[i], s.live.sets[i]) {
				t.Errorf("frame set %d differs", i)
			}
		}
		if !slices.Equal(w.epochs, s.live.epochs) || !slices.Equal(w.zeros, s.live.zeros) ||
			!proto.Equal(w.plans[0], s.live.plans[0]) ||
			!proto.Equal(w.plans[1], s.live.plans[1]) {
			t.Errorf("plans at %v, in the run at %v", w.epochs, s.live.epochs)
		}
		got := p.Snapshot()
		for i, task := range got.Tasks {
			want := s.final.Tasks[i]
			g, v := proto.CloneOf(task.GetStatus()), proto.CloneOf(want.GetStatus())
			g.AchievedRateHz, v.AchievedRateHz = 0, 0 // depends on when it is asked for
			if task.GetTask().GetName() != want.GetTask().GetName() || !proto.Equal(g, v) {
				t.Errorf("task %v, in the run %v", task, want)
			}
		}
		if !proto.Equal(got.Plan, s.final.Plan) || got.Epoch != s.final.Epoch {
			t.Error("the last plan is another")
		}
	}
	if p, _ := player(t, Config{}); p.Array().GetName() == "" {
		t.Error("the array is missing")
	}
}

// At its own pace every frame set comes when it came, counted from the first; twice as
// fast, in half the time.
func TestPace(t *testing.T) {
	s := recorded(t)
	for _, speed := range []float64{1, 2, 10} {
		synctest.Test(t, func(t *testing.T) {
			p, w := player(t, Config{Speed: speed})
			begin := time.Now()
			runUntil(t, p, w, len(s.live.sets))
			first, _ := p.Span()
			for i, fs := range w.sets {
				want := time.Duration(float64(fs.GetFinishBusNs()-first) / speed)
				if off := w.at[i].Sub(begin) - want; off.Abs() > time.Microsecond {
					t.Fatalf("at %g times, frame set %d came %v off", speed, i, off)
				}
			}
		})
	}
}

// Steps hand out exactly as many frame sets as asked for; pausing and speed work on a
// running replay.
func TestSteps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, w := player(t, Config{Stepped: true, Speed: 1})
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- p.Run(ctx) }()
		synctest.Wait()
		if w.count() != 0 {
			t.Errorf("%d frame sets before a step", w.count())
		}
		for _, n := range []int{1, 3, 1} {
			before := w.count()
			if err := p.Step(ctx, n); err != nil || w.count() != before+n {
				t.Errorf("%d steps gave %d, %v", n, w.count()-before, err)
			}
			time.Sleep(time.Minute)
		}
		if err := p.Step(ctx, 0); err == nil {
			t.Error("no steps were taken")
		}
		begin := time.Now()
		if err := p.SetSpeed(1); err != nil {
			t.Fatal(err)
		}
		time.Sleep(200 * time.Millisecond)
		p.Pause()
		synctest.Wait()
		n := w.count()
		// What was due within 200 ms, and nothing of the minutes spent waiting.
		reached := w.sets[n-1].GetFinishBusNs() - w.sets[4].GetFinishBusNs()
		if n <= 5 ||
			reached > int64(200*time.Millisecond)+int64(w.sets[5].GetFinishBusNs()-w.sets[4].GetFinishBusNs()) {
			t.Errorf("%d frame sets, %v of bus time in %v", n, time.Duration(reached), time.Since(begin))
		}
		time.Sleep(time.Minute)
		if w.count() != n {
			t.Error("it did not pause")
		}
		if err := p.SetSpeed(0); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if digest(w.sets) != digest(recorded(t).live.sets) {
			t.Error("after all that, the frames differ")
		}
		// At the end, steps are answered, and a jump plays on.
		if err := p.Step(ctx, 5); err != nil {
			t.Error(err)
		}
		for _, bad := range []float64{-1, MaxSpeed + 1} {
			if err := p.SetSpeed(bad); err == nil {
				t.Errorf("speed %v was taken", bad)
			}
		}
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		if p.Snapshot().State != facetdv1.State_STATE_STOPPING {
			t.Error(p.Snapshot().State)
		}
	})
}

// A jump anywhere plays what follows from there, under the active timetable there.
func TestSeek(t *testing.T) {
	s := recorded(t)
	for _, from := range []int{0, 1, 10, len(s.live.sets) / 2, len(s.live.sets) - 1} {
		synctest.Test(t, func(t *testing.T) {
			p, w := player(t, Config{})
			ctx, cancel := context.WithCancel(t.Context())
			ended := make(chan error, 1)
			go func() { ended <- p.Run(ctx) }()
			synctest.Wait() // at the end
			before, plans := w.count(), len(w.plans)
			at := s.live.sets[from].GetFinishBusNs()
			p.SeekTo(at)
			synctest.Wait()
			if got := w.sets[before:]; digest(got) != digest(s.live.sets[from:]) {
				t.Errorf("from %d: %d frame sets of %d", from, len(got), len(s.live.sets)-from)
			}
			want := s.live.epochs[0]
			if s.live.epochs[1] <= at {
				want = s.live.epochs[1]
			}
			if w.epochs[plans] != want {
				t.Errorf("from %d: plan of %d, want %d", from, w.epochs[plans], want)
			}
			cancel()
			<-ended
		})
	}
}

// A recording may end just after a part has been begun, which then holds nothing but what every part begins with:
// wherever it ends, the last frame set is the end of the recording.
func TestSpanWhereverTheRecordingEnds(t *testing.T) {
	a, err := demo.Array()
	if err != nil {
		t.Fatal(err)
	}
	live, dir := recorded(t).live, t.TempDir()
	short := 0
	for n := 1; n <= len(live.sets); n++ {
		m, err := record.NewManager(record.Config{Dir: dir, Array: a, KeepFree: 1, Now: func() bus.Time { return 0 },
			HostTime: func(at bus.Time) (time.Time, time.Duration) { return time.Unix(0, at.NS()), 0 }})
		if err != nil {
			t.Fatal(err)
		}
		m.PlanChanged(live.plans[0], bus.Time(live.epochs[0]), bus.Time(live.zeros[0]))
		name := fmt.Sprint("of-", n)
		if _, err := m.Start(name, &facetdv1.RecordingOptions{PartBytes: record.MinPartBytes}); err != nil {
			t.Fatal(err)
		}
		for _, fs := range live.sets[:n] {
			m.JobEnded(fs)
		}
		rec, err := m.Stop(t.Context(), name)
		if err != nil || rec.GetLost() > 0 {
			t.Fatal(rec, err)
		}
		var files []string
		for _, p := range rec.GetParts() {
			files = append(files, filepath.Join(dir, p.GetFile()))
		}
		p, err := New(Config{Files: files, Observer: &watcher{}})
		if err != nil {
			t.Fatal(err)
		}
		if p.tape.readers[len(files)-1].FrameSets() == 0 {
			short++
		}
		first, last := p.Span()
		if first != live.sets[0].GetFinishBusNs() || last != live.sets[n-1].GetFinishBusNs() {
			t.Errorf("%d frame sets from %d to %d: the span is %d to %d", n, live.sets[0].GetFinishBusNs(),
				live.sets[n-1].GetFinishBusNs(), first, last)
		}
		_ = p.Close()
	}
	if short == 0 {
		t.Error("no recording ended with a part without frame sets")
	}
}

// In a loop the pixels come again, and times and job numbers go on rising.
func TestLoop(t *testing.T) {
	s := recorded(t)
	n := len(s.live.sets)
	p, w := player(t, Config{Loop: true})
	runUntil(t, p, w, 3*n)
	if digest(w.sets[:n]) != digest(s.live.sets) {
		t.Error("the first turn differs from the run")
	}
	next := map[string]uint64{}
	var last int64
	for i, fs := range w.sets[:3*n] {
		if want, seen := next[fs.GetTask()]; seen && fs.GetJob() != want {
			t.Fatalf("frame set %d: job %d of %s, want %d", i, fs.GetJob(), fs.GetTask(), want)
		}
		next[fs.GetTask()] = fs.GetJob() + 1
		if fs.GetFinishBusNs() < last {
			t.Fatalf("frame set %d ends before the one before", i)
		}
		last = fs.GetFinishBusNs()
		was := s.live.sets[i%n]
		if fs.GetFinishBusNs()-fs.GetReleaseBusNs() != was.GetFinishBusNs()-was.GetReleaseBusNs() ||
			len(fs.GetFrames()) != len(was.GetFrames()) {
			t.Fatalf("frame set %d has another shape", i)
		}
		for k, f := range fs.GetFrames() {
			g := was.GetFrames()[k]
			shift := fs.GetFinishBusNs() - was.GetFinishBusNs()
			if !slices.Equal(f.GetData(), g.GetData()) || f.GetFirstSampleBusNs()-g.GetFirstSampleBusNs() != shift ||
				f.GetFirstSampleTime().AsTime().Sub(g.GetFirstSampleTime().AsTime()) != time.Duration(shift) {
				t.Fatalf("frame set %d, frame %d: pixels or times", i, k)
			}
		}
	}
}

// Whatever acts on the array is refused, with a status that says why. The methods are
// found by reflection, so that one added later cannot be forgotten.
func TestRefusals(t *testing.T) {
	p, _ := player(t, Config{})
	service := reflect.TypeFor[dispatch.Service]()
	for i := range service.NumMethod() {
		name := service.Method(i).Name
		if name == "Snapshot" {
			continue
		}
		method := reflect.ValueOf(p).MethodByName(name)
		args := []reflect.Value{reflect.ValueOf(t.Context())}
		for k := 1; k < method.Type().NumIn(); k++ {
			args = append(args, reflect.Zero(method.Type().In(k)))
		}
		out := method.Call(args)
		err, _ := out[len(out)-1].Interface().(error)
		var refused *failure.Precondition
		if !errors.As(err, new(*RefusedError)) || !errors.As(err, &refused) || refused.Kind != failure.Replay {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestFilesMustBelongTogether(t *testing.T) {
	files := recorded(t).files
	var gap *GapError
	for name, list := range map[string][]string{
		"backwards": {files[1], files[0]}, "twice": {files[0], files[0]}, "missing": {},
	} {
		_, err := New(Config{Files: list})
		if err == nil || name != "missing" && !errors.As(err, &gap) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if p, err := New(Config{Files: files[1:]}); err != nil {
		t.Errorf("from the second part on: %v", err)
	} else {
		_ = p.Close()
	}
	if _, err := New(Config{Files: files, Speed: -1}); err == nil {
		t.Error("a speed below zero was taken")
	}
	if _, err := New(Config{Files: []string{filepath.Join(t.TempDir(), "none")}}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
}

// A player that plays, is paused, or has reached the end of its recording is alive, one
// that has ended is not.
func TestPlayerIsAlive(t *testing.T) {
	s := recorded(t)
	p, err := New(Config{Files: s.files, Observer: &watcher{}, Stepped: true})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	alive := func(when string) {
		t.Helper()
		short, cancel := context.WithTimeout(ctx, 2*time.Minute)
		defer cancel()
		if err := p.Alive(short); err != nil {
			t.Errorf("%s: %v", when, err)
		}
	}
	alive("paused")
	if err := p.Step(ctx, 3); err != nil {
		t.Fatal(err)
	}
	alive("after three steps")
	if err := p.SetSpeed(1); err != nil {
		t.Fatal(err)
	}
	alive("at its own pace")
	if err := p.Step(ctx, MaxSteps); err != nil { // to the end
		t.Fatal(err)
	}
	if !p.Replay().GetEnded() {
		t.Error("not at the end")
	}
	alive("at the end")
	stop()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	if err := p.Alive(t.Context()); !errors.As(err, new(*dispatch.StoppedError)) {
		t.Errorf("after the end: %v", err)
	}
}
