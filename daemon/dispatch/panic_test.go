package dispatch

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// panicking is a bus whose driver panics in one segment, and counts how often its lines were released.
type panicking struct {
	bus.BusCloser
	at       bus.Time // the first segment from here on
	released atomic.Int32
	release  func() // called by every release, where set
}

func (p *panicking) Submit(start bus.Time, s *bus.Segment) error {
	if start >= p.at {
		panic("the driver lost its mind")
	}
	return p.BusCloser.Submit(start, s)
}

func (p *panicking) Release(ctx context.Context) (bus.Stop, error) {
	p.released.Add(1)
	if p.release != nil {
		p.release()
	}
	return p.BusCloser.Release(ctx)
}

// panickingWatcher is an observer that panics in one of its methods, once it is armed.
type panickingWatcher struct {
	*watcher
	in string
}

func (w *panickingWatcher) SegmentRun(task string, r *bus.Result, n WordCount) {
	w.watcher.SegmentRun(task, r, n)
	w.panics("SegmentRun")
}

func (w *panickingWatcher) JobEnded(fs *facetdv1.FrameSet) {
	w.watcher.JobEnded(fs)
	w.panics("JobEnded")
}

func (w *panickingWatcher) PlanChanged(p *facetdv1.Plan, at, epoch bus.Time) {
	w.watcher.PlanChanged(p, at, epoch)
	w.panics("PlanChanged")
}

func (w *panickingWatcher) panics(in string) {
	if w.in == in {
		panic("an observer lost its mind")
	}
}

// panicCase is one way to panic on the goroutine that owns the bus.
type panicCase struct {
	driver   bus.Time // of a panic of the driver
	hangs    bool     // its release hangs
	again    bool     // its release panics
	observer string   // method of a panic of an observer
	do       bool     // a function given to Do panics
}

// TestPanic: whoever panics on the goroutine that owns the bus, the lines are released, whoever waits is answered,
// open jobs fail with the cause, and Run ends with it, soon.
func TestPanic(t *testing.T) {
	for name, c := range map[string]panicCase{
		"driver":                           {driver: bus.Time(300 * time.Millisecond)},
		"driver, in the initialization":    {driver: 1},
		"driver, and its release":          {driver: bus.Time(300 * time.Millisecond), again: true},
		"driver, whose release hangs":      {driver: bus.Time(300 * time.Millisecond), hangs: true},
		"observer of segments":             {observer: "SegmentRun"},
		"observer of jobs":                 {observer: "JobEnded"},
		"observer of plans, in a change":   {observer: "PlanChanged"},
		"a function for the bus's own use": {do: true},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				panics(t, c)
			})
		})
	}
}

func panics(t *testing.T, c panicCase) {
	broken := &panicking{at: c.driver}
	until := make(chan struct{})
	defer close(until)
	switch {
	case c.hangs:
		broken.release = func() { <-until }
	case c.again:
		broken.release = func() { panic("it lost its mind again") }
	}
	if c.driver == 0 {
		broken.at = bus.Time(time.Hour)
	}
	r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser { broken.BusCloser = b; return broken },
		memTask(100), countTask(30))
	observer := &panickingWatcher{watcher: r.watch}
	r.runner.cfg.Observer, r.runner.report.observer = observer, observer
	ended := make(chan error, 1)
	go func() { ended <- r.Run(t.Context()) }()
	if c.driver != 1 {
		time.Sleep(200 * time.Millisecond)
		if err := r.Alive(t.Context()); err != nil {
			t.Fatalf("before the panic: %v", err)
		}
	}
	answers := askOn(t.Context(), r)
	if c.do {
		if err := r.Do(t.Context(), func() error { panic("a caller lost its mind") }); err == nil {
			t.Error("a function that panicked gave no error")
		}
	} else if c.observer != "" {
		time.Sleep(20 * time.Millisecond)
		_ = r.Do(t.Context(), func() error { observer.in = c.observer; return nil })
	}
	begin := time.Now()
	var cause *PanicError
	if err := <-ended; !errors.As(err, &cause) || !strings.Contains(cause.Error(), "lost its mind") ||
		!strings.Contains(string(cause.Stack), "panic_test.go") {
		t.Errorf("run ended with %v", err)
	}
	if took := time.Since(begin); took > time.Second {
		t.Errorf("it took %v to end", took)
	}
	for range cap(answers) {
		if err := <-answers; !errors.As(err, new(*StoppedError)) || !strings.Contains(err.Error(), "lost its mind") {
			t.Errorf("a caller who waited got %v", err)
		}
	}
	if err := r.Alive(t.Context()); !errors.As(err, new(*StoppedError)) {
		t.Errorf("alive after a panic: %v", err)
	}
	if broken.released.Load() == 0 {
		t.Error("the lines were not released")
	}
	if s := r.Snapshot(); s.State != facetdv1.State_STATE_FAULT || !strings.Contains(s.Fault, "lost its mind") {
		t.Errorf("state %v %q", s.State, s.Fault)
	}
	if c.hangs {
		return // what the driver does not let go of cannot be reported
	}
	everyJobEnded(t, r)
}

// askOn goes on asking for changes, captures and whether the dispatcher is alive, so that some of each wait or are
// under way all the time, and returns with what each of them ends.
func askOn(ctx context.Context, r *rig) chan error {
	answers := make(chan error, 3)
	until := func(ask func() error) {
		var err error
		for err == nil {
			time.Sleep(100 * time.Microsecond) // of the bubble's clock
			err = ask()
		}
		answers <- err
	}
	go until(func() error {
		_, err := r.AddTask(ctx, &facetdv1.Task{Name: "s", Target: list("s0"), RateHz: 1})
		if err == nil {
			_, err = r.RemoveTask(ctx, "s")
		}
		return err
	})
	go until(func() error {
		_, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("h0")})
		return err
	})
	go until(func() error { return r.Alive(ctx) })
	return answers
}

// everyJobEnded checks that each job of the first tasks that began has ended, in order.
func everyJobEnded(t *testing.T, r *rig) {
	t.Helper()
	next := map[string]uint64{"mem": 0, "count": 0}
	for name := range next {
		for _, fs := range r.watch.of(name) {
			if fs.GetJob() != next[name] {
				t.Errorf("job %d of %s ended where job %d is due", fs.GetJob(), name, next[name])
			}
			next[name] = fs.GetJob() + 1
		}
		if began := r.runner.tab.taskOf(name).next; next[name] != began {
			t.Errorf("%d jobs of %s began, %d ended", began, name, next[name])
		}
	}
}
