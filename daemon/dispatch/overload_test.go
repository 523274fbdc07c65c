package dispatch

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel/scene"
)

// starved is a bus on a host that has too little time from some time on: everything takes longer than it should, so
// that the host is always behind.
type starved struct {
	bus.BusCloser
	rng    *rand.Rand
	from   time.Time
	submit time.Duration // at most, before each segment is handed over
	next   time.Duration // at most, after each result
}

func (s *starved) pass(most time.Duration) {
	if most > 0 && time.Now().After(s.from) {
		time.Sleep(most/2 + time.Duration(s.rng.Int64N(int64(most/2)))) // of the bubble's clock
	}
}

func (s *starved) Submit(start bus.Time, seg *bus.Segment) error {
	s.pass(s.submit)
	return s.BusCloser.Submit(start, seg)
}

func (s *starved) Next(ctx context.Context) (bus.Result, error) {
	res, err := s.BusCloser.Next(ctx)
	if !res.Refused() {
		s.pass(s.next)
	}
	return res, err
}

// starvedRig is a rig on such a host, with the limit of lag that a daemon has.
func starvedRig(t *testing.T, limits bus.Limits, s starved, tasks ...*facetdv1.Task) *rig {
	t.Helper()
	const limit = 100 * time.Millisecond
	a := bustest.MustArray()
	b, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(100), Pace: realtime, Seed: 7, MaxLag: limit,
		Limits: limits})
	if err != nil {
		t.Fatal(err)
	}
	s.BusCloser, s.from = b, time.Now().Add(time.Second)
	w := &watcher{}
	d, err := New(Config{Array: a, Bus: &s, Observer: w, Logger: zap.NewNop(), Inspector: b.Inspector(), Tasks: tasks,
		MaxLag: limit})
	if err != nil {
		t.Fatal(err)
	}
	return &rig{d, b, w}
}

// TestChangesOfAnOverloadedHost: on a host that is always behind by more than it may be, tasks can be added, changed
// and removed all the same, within seconds each: removing load is the cure. Every job is counted once.
func TestChangesOfAnOverloadedHost(t *testing.T) {
	far := bus.Limits{LeastLead: 2 * time.Millisecond, Queue: 8}
	for name, c := range map[string]struct {
		limits       bus.Limits
		submit, next time.Duration
	}{
		"a little":                        {next: 4 * time.Millisecond},
		"twice":                           {next: 12 * time.Millisecond},
		"ten times":                       {next: 60 * time.Millisecond},
		"by far":                          {next: 300 * time.Millisecond},
		"between clock and bus":           {submit: 300 * time.Millisecond},
		"far away, a little":              {limits: far, next: 4 * time.Millisecond},
		"far away, by far":                {limits: far, next: 300 * time.Millisecond},
		"far away, between clock and bus": {limits: far, submit: 300 * time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			for seed := range uint64(5) {
				synctest.Test(t, func(t *testing.T) {
					r := starvedRig(t, c.limits, starved{rng: rand.New(rand.NewPCG(seed, 0)), submit: c.submit,
						next: c.next}, memTask(100), countTask(30),
						&facetdv1.Task{Name: "other", Target: list("s0"), RateHz: 80})
					r.changesUnderLoad(t, seed)
				})
			}
		})
	}
}

func (r *rig) changesUnderLoad(t *testing.T, seed uint64) {
	t.Helper()
	end := r.begin(t)
	time.Sleep(1500 * time.Millisecond)
	for i, change := range []func(context.Context) (bus.Time, error){
		func(ctx context.Context) (bus.Time, error) { return r.RemoveTask(ctx, "other") },
		func(ctx context.Context) (bus.Time, error) { return r.UpdateTask(ctx, countTask(50)) },
		func(ctx context.Context) (bus.Time, error) {
			return r.AddTask(ctx, &facetdv1.Task{Name: "more", Target: list("h0"), RateHz: 20})
		},
		func(ctx context.Context) (bus.Time, error) { return r.RemoveTask(ctx, "mem") },
		func(ctx context.Context) (bus.Time, error) { return r.RemoveTask(ctx, "more") },
		func(ctx context.Context) (bus.Time, error) { return r.RemoveTask(ctx, "count") },
	} {
		within, stop := context.WithTimeout(t.Context(), 4*time.Second)
		if _, err := change(within); err != nil {
			t.Errorf("seed %d: change %d under load: %v", seed, i, err)
		}
		stop()
		time.Sleep(777 * time.Millisecond)
	}
	if err := end(); err != nil {
		t.Errorf("seed %d: %v", seed, err)
	}
	for _, task := range []string{"mem", "count", "other", "more"} {
		sets := r.watch.of(task)
		if len(sets) == 0 {
			t.Errorf("seed %d: no job of %s", seed, task)
		}
		release := int64(-1)
		for i, fs := range sets {
			if fs.GetJob() != uint64(i) || fs.GetReleaseBusNs() <= release {
				t.Fatalf("seed %d: job %d of %s: number %d, released at %d after %d", seed, i, task, fs.GetJob(),
					fs.GetReleaseBusNs(), release)
			}
			release = fs.GetReleaseBusNs()
		}
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("seed %d: rules violated: %v", seed, r.watch.violations)
	}
	if tasks := slices.Collect(func(yield func(string) bool) {
		for _, spec := range r.board.specs() {
			yield(spec.GetName())
		}
	}); len(tasks) > 0 {
		t.Errorf("seed %d: %v run", seed, tasks)
	}
}

// TestAChangeThatIsNotMadeInTime: a caller whose time is over hears so at once, also where the host comes too late for
// the initialization of the change every time, and the task is or is not as it was told.
func TestAChangeThatIsNotMadeInTime(t *testing.T) {
	withdrawn := 0
	for after := 50 * time.Millisecond; after < 2*time.Second; after += 83 * time.Millisecond {
		synctest.Test(t, func(t *testing.T) {
			r := starvedRig(t, bus.Limits{}, starved{rng: rand.New(rand.NewPCG(1, 0)), submit: 300 * time.Millisecond},
				memTask(100), countTask(30))
			end := r.begin(t)
			time.Sleep(1500 * time.Millisecond)
			asked := time.Now()
			ctx, cancel := context.WithTimeout(t.Context(), after)
			defer cancel()
			_, err := r.RemoveTask(ctx, "mem")
			if took := time.Since(asked) - after; took > time.Second {
				t.Errorf("it is answered %v after the time of its caller, %v", took, after)
			}
			time.Sleep(3 * time.Second)
			tasks := 1
			if err != nil {
				tasks = 2
				withdrawn++
			}
			if n := len(r.board.specs()); n != tasks {
				t.Errorf("%v: %d tasks run", err, n)
			}
			if err := end(); err != nil {
				t.Fatal(err)
			}
		})
	}
	if withdrawn == 0 {
		t.Error("no change was too late; the test needs some")
	}
}

// TestAChangeOfALostBus: a change waits for a lost bus for a while, and then is refused with the cause.
func TestAChangeOfALostBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var l *lossy
		r, _ := farRig(t, realtime, 0, bus.Limits{LeastLead: 2 * time.Millisecond, Queue: 4},
			func(b bus.BusCloser) bus.BusCloser {
				l = newLossy(b)
				return l
			}, memTask(100), countTask(30))
		end := r.begin(t)
		time.Sleep(500 * time.Millisecond)
		l.set(true)
		time.Sleep(100 * time.Millisecond)
		asked := time.Now()
		var lost *bus.LostError
		if _, err := r.RemoveTask(t.Context(), "mem"); !errors.As(err, new(*UnavailableError)) ||
			!errors.As(err, &lost) || time.Since(asked) < lostChange || time.Since(asked) > lostChange+time.Second {
			t.Errorf("a change of a lost bus: %v after %v", err, time.Since(asked))
		}
		go func() { time.Sleep(3 * time.Second); l.set(false) }()
		if _, err := r.RemoveTask(t.Context(), "mem"); err != nil {
			t.Errorf("a change of a bus that is found again meanwhile: %v", err)
		}
		if err := end(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestCapturesOfAnOverloadedHost: a host that is always behind by more than it may be finds no idle gap; a capture is
// then refused with that cause, and does not wait for ever.
func TestCapturesOfAnOverloadedHost(t *testing.T) {
	refused := 0
	for _, next := range []time.Duration{4 * time.Millisecond, 12 * time.Millisecond, 60 * time.Millisecond} {
		synctest.Test(t, func(t *testing.T) {
			r := starvedRig(t, bus.Limits{}, starved{rng: rand.New(rand.NewPCG(1, 0)), next: next}, memTask(100),
				countTask(30), &facetdv1.Task{Name: "other", Target: list("s0"), RateHz: 80})
			end := r.begin(t)
			time.Sleep(1500 * time.Millisecond)
			for range 3 {
				within, stop := context.WithTimeout(t.Context(), behindDemand+time.Second)
				switch _, err := r.Capture(within, &facetdv1.CaptureFramesRequest{Target: list("h0")}); {
				case errors.As(err, new(*UnavailableError)):
					refused++
				case err != nil:
					t.Errorf("%v too slow: %v", next, err)
				}
				stop()
			}
			if err := end(); err != nil {
				t.Fatal(err)
			}
		})
	}
	if refused == 0 {
		t.Error("every capture found a gap; the test needs a slower host")
	}
}
