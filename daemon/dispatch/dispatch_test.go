package dispatch

import (
	"context"
	"errors"
	"math"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/failure"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// watcher collects what the dispatcher tells.
type watcher struct {
	mu         sync.Mutex
	sets       []*facetdv1.FrameSet
	violations []rules.Violation
	words      WordCount
	busy       bus.Phases
	plans      int
	// Of check, which forgets the sets it has judged.
	next          map[string]uint64
	total, frames uint64
}

func (w *watcher) SegmentRun(_ string, r *bus.Result, n WordCount) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.busy.Add(r.Busy)
	w.words.Broadcast += n.Broadcast
	w.words.Group += n.Group
	w.words.Single += n.Single
}

func (w *watcher) JobEnded(fs *facetdv1.FrameSet) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.sets = append(w.sets, fs)
}

func (w *watcher) PlanChanged(*facetdv1.Plan, bus.Time, bus.Time) { w.plans++ }

func (w *watcher) Violated(v rules.Violation) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.violations = append(w.violations, v)
}

func (w *watcher) of(task string) []*facetdv1.FrameSet {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(w.sets), func(fs *facetdv1.FrameSet) bool { return fs.GetTask() != task })
}

func list(names ...string) *facetdv1.Target {
	return &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: names}}}
}

func memTask(rate float64) *facetdv1.Task {
	return &facetdv1.Task{Name: "mem", Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "mems"}},
		RateHz: rate,
		Views:  []*facetdv1.View{{Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}}}
}

func countTask(rate float64) *facetdv1.Task {
	return &facetdv1.Task{Name: "count", Target: list("c0"), RateHz: rate}
}

type rig struct {
	*Dispatcher
	bus   *virtual.Bus
	watch *watcher
}

func newRig(t *testing.T, pace facetdv1.Pace, stopAt time.Duration, wrap func(bus.BusCloser) bus.BusCloser,
	tasks ...*facetdv1.Task) *rig {
	t.Helper()
	return newRigOf(t, bustest.MustArray(), pace, stopAt, wrap, tasks...)
}

// newRigOf is newRig for an array.
func newRigOf(t *testing.T, a *chipmodel.Array, pace facetdv1.Pace, stopAt time.Duration,
	wrap func(bus.BusCloser) bus.BusCloser,
	tasks ...*facetdv1.Task) *rig {
	t.Helper()
	b, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(100), Pace: pace, Seed: 7})
	if err != nil {
		t.Fatal(err)
	}
	var used bus.BusCloser = b
	if wrap != nil {
		used = wrap(b)
	}
	w := &watcher{}
	d, err := New(Config{Array: a, Bus: used, Observer: w, Logger: zap.NewNop(), Inspector: b.Inspector(), Tasks: tasks,
		StopAt: bus.Time(stopAt)})
	if err != nil {
		t.Fatal(err)
	}
	return &rig{d, b, w}
}

const (
	free     = facetdv1.Pace_PACE_FREE
	realtime = facetdv1.Pace_PACE_REALTIME
)

// TestRunsTheTable: over a second every job of both tasks ends on time, frames are
// whole, measured bus time equals the planned, and no rule is violated.
func TestRunsTheTable(t *testing.T) {
	r := newRig(t, free, time.Second+firstStart.Elapsed(), nil, memTask(100), countTask(30))
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, want := range []struct {
		task string
		jobs int
	}{{"mem", 100}, {"count", 30}} {
		sets := r.watch.of(want.task)
		if len(sets) != want.jobs {
			t.Errorf("%s: %d jobs in a second, want %d", want.task, len(sets), want.jobs)
		}
		for i, fs := range sets {
			if fs.GetJob() != uint64(i) || fs.GetFailure() != "" || fs.GetLate() {
				t.Fatalf("%s job %d: number %d, late %v, failure %q", want.task, i, fs.GetJob(), fs.GetLate(),
					fs.GetFailure())
			}
		}
	}
	frame := r.watch.of("mem")[0].GetFrames()
	if len(frame) != 3 || frame[0].GetRows() != 2 || frame[0].GetColumns() != 3 || len(frame[0].GetData()) != 12 {
		t.Errorf("mem: %d frames, the first %d x %d with %d bytes", len(frame), frame[0].GetRows(),
			frame[0].GetColumns(), len(frame[0].GetData()))
	}
	snap := r.Snapshot()
	for _, task := range snap.Tasks {
		s := task.GetStatus()
		if math.Abs(s.GetAchievedRateHz()/s.GetPlannedRateHz()-1) > 1e-6 {
			t.Errorf("%s: achieved %v Hz, planned %v Hz", task.GetTask().GetName(), s.GetAchievedRateHz(),
				s.GetPlannedRateHz())
		}
	}
	measured := float64(snap.Busy.Total()) / float64(snap.Measured)
	if math.Abs(measured-snap.PlannedUtil) > 1e-3*snap.PlannedUtil {
		t.Errorf("measured utilization %v, planned %v", measured, snap.PlannedUtil)
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}

// TestPacesAgree: the frame sets of both paces are equal but for host time.
func TestPacesAgree(t *testing.T) {
	sets := map[facetdv1.Pace][]*facetdv1.FrameSet{}
	for _, pace := range []facetdv1.Pace{free, realtime} {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t, pace, 200*time.Millisecond, nil, memTask(100), countTask(30))
			if err := r.Run(t.Context()); err != nil {
				t.Fatal(err)
			}
			sets[pace] = r.watch.sets
		})
	}
	if len(sets[free]) == 0 || len(sets[free]) != len(sets[realtime]) {
		t.Fatalf("%d sets free, %d in real time", len(sets[free]), len(sets[realtime]))
	}
	for i, f := range sets[free] {
		rt := sets[realtime][i]
		if f.GetTask() != rt.GetTask() || f.GetFinishBusNs() != rt.GetFinishBusNs() || f.GetSkewNs() != rt.GetSkewNs() {
			t.Fatalf("set %d: %v and %v differ", i, f, rt)
		}
		for j := range f.GetFrames() {
			if string(f.GetFrames()[j].GetData()) != string(rt.GetFrames()[j].GetData()) {
				t.Fatalf("set %d frame %d: the codes differ", i, j)
			}
		}
	}
}

// TestChangesLoseNothing adds and removes a task again and again: the other task's
// jobs are numbered without a gap, none fails, and none comes later than a period.
func TestChangesLoseNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(100))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		for range 20 {
			time.Sleep(137 * time.Millisecond)
			if _, err := r.AddTask(ctx, countTask(70)); err != nil {
				t.Fatal(err)
			}
			time.Sleep(93 * time.Millisecond)
			if _, err := r.RemoveTask(ctx, "count"); err != nil {
				t.Fatal(err)
			}
		}
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		sets := r.watch.of("mem")
		if len(sets) < 450 {
			t.Errorf("%d jobs in 4.6 s at 100 Hz", len(sets))
		}
		for i, fs := range sets[:len(sets)-1] {
			if fs.GetJob() != uint64(i) || fs.GetFailure() != "" || fs.GetLate() {
				t.Fatalf("job %d: %v", i, fs)
			}
			apart := time.Duration(sets[i+1].GetReleaseBusNs() - fs.GetReleaseBusNs())
			if apart > 10*time.Millisecond+r.board.plan.InitializationTime {
				t.Errorf("jobs %d and %d are released %v apart", i, i+1, apart)
			}
		}
		if len(r.watch.of("count")) < 20*5 {
			t.Errorf("the added task ran %d jobs", len(r.watch.of("count")))
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}

func TestChangeErrors(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(100))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		before := r.board.specs()
		var exists *failure.Exists
		if _, err := r.AddTask(ctx, memTask(1)); !errors.As(err, &exists) {
			t.Errorf("a name twice: %v", err)
		}
		var missing *failure.NotFound
		if _, err := r.RemoveTask(ctx, "nobody"); !errors.As(err, &missing) {
			t.Errorf("removing nobody: %v", err)
		}
		var refused *scheduler.RefusalError
		if _, err := r.AddTask(ctx, countTask(39000)); !errors.As(err, &refused) {
			t.Errorf("too much: %v", err)
		}
		var errs invalid.Errors
		if _, err := r.AddTask(ctx, &facetdv1.Task{Name: "bad", RateHz: -1}); !errors.As(err, &errs) {
			t.Errorf("bad input: %v", err)
		}
		if len(r.board.specs()) != len(before) {
			t.Errorf("a refused change left %d tasks", len(r.board.specs()))
		}
		if plan, err := r.Preview(ctx, adding(countTask(39000)), false); err != nil ||
			plan.GetRefusal() == nil {
			t.Errorf("preview of too much: refusal %v, %v", plan.GetRefusal(), err)
		}
		if plan, err := r.Preview(ctx, addingFor([]*facetdv1.Task{countTask(20)}, "mem"), false); err != nil ||
			len(plan.GetPredictions()) != 1 {
			t.Errorf("preview: %d predictions, %v", len(plan.GetPredictions()), err)
		}
		cancel()
		<-done
		var stopped *StoppedError
		if _, err := r.AddTask(t.Context(), countTask(1)); !errors.As(err, &stopped) {
			t.Errorf("after the end: %v", err)
		}
		if _, err := r.Capture(t.Context(), &facetdv1.CaptureFramesRequest{Target: list("m0")}); !errors.As(err,
			&stopped) {
			t.Errorf("capture after the end: %v", err)
		}
	})
}

// TestOnDemand runs captures and commands between the jobs: they wait for a gap,
// and the task's jobs see nothing of them.
func TestOnDemand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(400))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(2 * firstStart.Elapsed())
		for i := range 30 {
			time.Sleep(time.Duration(1+i) * 330 * time.Microsecond)
			got, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("m0", "m2"),
				Views: []*facetdv1.View{{SmoothingSteps: 3}}})
			if err != nil {
				t.Fatal(err)
			}
			fs := got.FrameSet
			if len(fs.GetFrames()) != 2 || fs.GetTask() != "" || fs.GetFailure() != "" || got.Start < 0 ||
				got.Waited > 3*time.Millisecond {
				t.Fatalf("capture: %v, waited %v", fs, got.Waited)
			}
			if _, err := r.Send(ctx, &facetdv1.Command{Target: list("s0"),
				Action: &facetdv1.Command_Write{Write: &facetdv1.RegisterWrite{Register: chipmodel.ColumnPattern,
					Value: 0x55}}}); err != nil {
				t.Fatal(err)
			}
		}
		var disturb *program.DisturbError
		if _, err := r.Send(ctx, &facetdv1.Command{Target: list("m0"),
			Action: &facetdv1.Command_Write{Write: &facetdv1.RegisterWrite{Register: chipmodel.ColumnPattern,
				Value: 3}}}); !errors.As(err, &disturb) || disturb.Task != "mem" {
			t.Errorf("a command against a task: %v", err)
		}
		cancel()
		<-done
		for i, fs := range r.watch.of("mem") {
			if fs.GetJob() != uint64(i) || fs.GetLate() || (fs.GetFailure() != "" && i < len(r.watch.of("mem"))-1) {
				t.Fatalf("job %d: %v", i, fs)
			}
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}

// TestNoGap refuses a capture that no idle stretch can hold, with both numbers.
func TestNoGap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		busyPlan := memTask(1)
		r := newRig(t, realtime, 0, nil, busyPlan)
		job := time.Duration(r.runner.standing.plan.Message.GetPredictions()[0].GetJobNs())
		busyPlan = memTask(math.Floor(0.97 * float64(time.Second) / float64(job)))
		r = newRig(t, realtime, 0, nil, busyPlan)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		var none *NoGapError
		_, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("c0")})
		if !errors.As(err, &none) || none.Needed <= none.Longest || none.Longest < 0 {
			t.Errorf("capture without a gap: %v", err)
		}
		cancel()
		<-done
	})
}

// failing makes chosen segments fail, by their number from 1.
func failing(b bus.BusCloser, fail func(n int) bool) bus.BusCloser {
	n := 0
	return bustest.Intercept(b, func(ctx context.Context, start bus.Time, s *bus.Segment,
		run bustest.RunFunc) (bus.Result,
		error) {
		n++
		if fail(n) {
			return bus.Result{Start: start, End: start}, errors.New("a wire came off")
		}
		return run(ctx, start, s)
	})
}

// TestFailureIsCounted: one failed segment costs one job, with its cause; the
// table goes on.
func TestFailureIsCounted(t *testing.T) {
	r := newRig(t, free, time.Second, func(b bus.BusCloser) bus.BusCloser {
		return failing(b, func(n int) bool { return n == 40 || n == 90 })
	}, memTask(100), countTask(30))
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	failed, total := 0, 0
	for _, fs := range r.watch.sets {
		total++
		if fs.GetFailure() != "" {
			failed++
			if fs.GetFailure() != "a wire came off" {
				t.Errorf("cause %q", fs.GetFailure())
			}
		}
	}
	if failed != 2 || total < 125 {
		t.Errorf("%d of %d jobs failed, want 2 of about 130", failed, total)
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}

// TestDeadBus: a bus that fails always is given up, with every line inactive, and
// requests are refused.
func TestDeadBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser {
			return failing(b, func(n int) bool { return n > 20 })
		}, memTask(100))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(time.Second)
		if s := r.Snapshot(); s.State != facetdv1.State_STATE_FAULT || s.Fault == "" {
			t.Errorf("state %v %q", s.State, s.Fault)
		}
		var stopped *StoppedError
		if _, err := r.AddTask(ctx, countTask(1)); !errors.As(err, &stopped) {
			t.Errorf("adding to a dead bus: %v", err)
		}
		cancel()
		if err := <-done; err == nil {
			t.Error("a dead bus ended without an error")
		}
	})
}

// TestStopsAtOnce: a stop in the middle of jobs ends within a second, every job
// accounted for.
func TestStopsAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(100), countTask(30))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(503 * time.Millisecond)
		asked := time.Now()
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if took := time.Since(asked); took > time.Second {
			t.Errorf("the stop took %v", took)
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}

// TestNoTasks: without a table on-demand jobs still run, and a task can be added.
func TestNoTasks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		if _, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("m0")}); err != nil {
			t.Error(err)
		}
		if _, err := r.AddTask(ctx, countTask(10)); err != nil {
			t.Error(err)
		}
		time.Sleep(time.Second)
		if n := len(r.watch.of("count")); n < 9 {
			t.Errorf("%d jobs in a second at 10 Hz", n)
		}
		if _, err := r.RemoveTask(ctx, "count"); err != nil {
			t.Error(err)
		}
		cancel()
		<-done
	})
}

func TestDeadlinePassedOn(t *testing.T) {
	task := memTask(100)
	task.Deadline = durationpb.New(5 * time.Millisecond)
	r := newRig(t, free, 100*time.Millisecond, nil, task)
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	fs := r.watch.of("mem")[3]
	if got := fs.GetDeadlineBusNs() - fs.GetReleaseBusNs(); got != int64(5*time.Millisecond) {
		t.Errorf("deadline %v after the release", time.Duration(got))
	}
}

// TestUpdateTask changes a task's rate under way: its jobs go on being counted, and
// a change that does not fit leaves it as it was.
func TestUpdateTask(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(20), countTask(10))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(time.Second)
		if _, err := r.UpdateTask(ctx, memTask(50)); err != nil {
			t.Fatal(err)
		}
		var refusal *scheduler.RefusalError
		if _, err := r.UpdateTask(ctx, memTask(90000)); !errors.As(err, &refusal) {
			t.Errorf("a rate that cannot be: %v", err)
		}
		var missing *failure.NotFound
		other := memTask(5)
		other.Name = "other"
		if _, err := r.UpdateTask(ctx, other); !errors.As(err, &missing) {
			t.Errorf("updating nobody: %v", err)
		}
		time.Sleep(time.Second)
		if s := r.Snapshot().Tasks[0].GetStatus(); s.GetPlannedRateHz() != 50 ||
			math.Abs(s.GetAchievedRateHz()-50) > 1e-6 {
			t.Errorf("after the update: planned %v Hz, achieved %v Hz", s.GetPlannedRateHz(), s.GetAchievedRateHz())
		}
		cancel()
		<-done
		for i, fs := range r.watch.of("mem") {
			if fs.GetJob() != uint64(i) || fs.GetLate() {
				t.Fatalf("job %d: %v", i, fs)
			}
		}
	})
}

// lagging is a bus whose host is always half a second behind.
type lagging struct{ bus.BusCloser }

func (l lagging) Now() bus.Time { return l.BusCloser.Now().Add(500 * time.Millisecond) }

// TestOnDemandOnALaggingHost: the gaps of the table are there in bus time also when
// the host has no time to wait for them.
func TestOnDemandOnALaggingHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser { return lagging{b} }, memTask(100))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(100 * time.Millisecond)
		short, end := context.WithTimeout(ctx, time.Second)
		defer end()
		if _, err := r.Capture(short, &facetdv1.CaptureFramesRequest{Target: list("m0")}); err != nil {
			t.Error(err)
		}
		cancel()
		<-done
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}
