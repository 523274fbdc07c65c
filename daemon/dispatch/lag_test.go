package dispatch

import (
	"context"
	"slices"
	"strings"
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

// stalling is a bus whose host stands still after some segments.
type stalling struct {
	n     int
	stall map[int]time.Duration // by number of the segment, from 1
}

func (s *stalling) run(ctx context.Context, start bus.Time, seg *bus.Segment, run bustest.RunFunc) (bus.Result, error) {
	res, err := run(ctx, start, seg)
	s.n++
	time.Sleep(s.stall[s.n])
	return res, err
}

// TestAHostThatStandsStillIsTold: a stop of five seconds, during which nothing is late by the
// bus's own clock, is told when the host goes on, and when it has caught up; shorter ones, and
// the time before the first segment, are not.
func TestAHostThatStandsStillIsTold(t *testing.T) {
	const stop = 5 * time.Second
	for _, startup := range []time.Duration{0, 3 * time.Second} {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t, realtime, 15*time.Second, func(b bus.BusCloser) bus.BusCloser {
				s := &stalling{stall: map[int]time.Duration{400: 90 * time.Millisecond, 700: stop}}
				return bustest.Intercept(b, s.run)
			}, memTask(100), countTask(30))
			var told []Behind
			r.runner.cfg.MaxLag = 100 * time.Millisecond
			r.runner.cfg.Behind = func(b Behind) { told = append(told, b) }
			time.Sleep(startup)
			if err := r.Run(t.Context()); err != nil {
				t.Fatal(err)
			}
			if len(told) != 2 || told[0].CaughtUp || !told[1].CaughtUp {
				t.Fatalf("after a startup of %v: told %+v", startup, told)
			}
			for _, b := range told {
				if b.By < stop-50*time.Millisecond || b.By > stop {
					t.Errorf("%v behind after a stop of %v", b.By, stop)
				}
			}
			if n := told[1].Segments; n < 130*4 || told[1].At.Sub(told[0].At) < 4*time.Second {
				t.Errorf("%d segments caught up from %d to %d ns", n, told[0].At, told[1].At)
			}
			if lag := r.Snapshot().Lag; lag.Times != 1 || lag.Worst != told[1].By {
				t.Errorf("counted %+v, told %v", lag, told[1].By)
			}
			for _, fs := range r.watch.sets {
				if fs.GetLate() || fs.GetFailure() != "" {
					t.Errorf("job %d of %s: late %v, failure %q", fs.GetJob(), fs.GetTask(), fs.GetLate(),
						fs.GetFailure())
				}
			}
		})
	}
}

// TestAHostThatStandsStillIsRefused: on a bus with a limit, what a host that stood still hands over later than that is
// refused, with the cause, and the jobs go on at the next release: each is counted once, a shorter stop costs none.
// Captures and changes that come in meanwhile succeed.
func TestAHostThatStandsStillIsRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const stop, limit = 5 * time.Second, 100 * time.Millisecond
		s := &stalling{stall: map[int]time.Duration{400: 90 * time.Millisecond, 700: stop}}
		a := bustest.MustArray()
		b, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(100), Pace: realtime, Seed: 7,
			MaxLag: limit})
		if err != nil {
			t.Fatal(err)
		}
		var told []Behind
		w := &watcher{}
		d, err := New(Config{Array: a, Bus: bustest.Intercept(b, s.run), Observer: w, Logger: zap.NewNop(),
			Inspector: b.Inspector(), Tasks: []*facetdv1.Task{memTask(100), countTask(30)},
			StopAt: bus.Time(15 * time.Second),
			MaxLag: limit, Behind: func(b Behind) { told = append(told, b) }})
		if err != nil {
			t.Fatal(err)
		}
		asked := make(chan error, 2)
		go func() {
			time.Sleep(6 * time.Second) // the host stands still since the 700th segment, after about 5.4 s
			go func() {
				_, err := d.Capture(t.Context(), &facetdv1.CaptureFramesRequest{Target: list("h0")})
				asked <- err
			}()
			_, err := d.AddTask(t.Context(), &facetdv1.Task{Name: "s", Target: list("s0"), RateHz: 10})
			asked <- err
		}()
		if err := d.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		for range cap(asked) {
			if err := <-asked; err != nil {
				t.Errorf("asked for while the host stood still: %v", err)
			}
		}
		failed := 0
		for task, least := range map[string]int{"mem": 1490, "count": 440} {
			sets := slices.DeleteFunc(slices.Clone(w.sets),
				func(fs *facetdv1.FrameSet) bool { return fs.GetTask() != task })
			if len(sets) < least {
				t.Errorf("%d jobs of %s, want %d at least", len(sets), task, least)
			}
			for i, fs := range sets {
				if fs.GetJob() != uint64(i) || fs.GetLate() {
					t.Fatalf("job %d of %s: number %d, late %v", i, task, fs.GetJob(), fs.GetLate())
				}
				if fs.GetFailure() == "" {
					continue
				}
				failed++
				if !strings.Contains(fs.GetFailure(), "host stall") {
					t.Errorf("job %d of %s: %q", i, task, fs.GetFailure())
				}
			}
		}
		if want := 130 * 49 / 10; failed < want-10 || failed > want+10 {
			t.Errorf("%d jobs were refused, want about %d", failed, want)
		}
		if len(told) != 2 || told[0].CaughtUp || !told[1].CaughtUp || told[1].Segments != failed {
			t.Errorf("told %+v of %d jobs refused", told, failed)
		}
		if lag := d.Snapshot().Lag; lag.Times != 1 || lag.Worst < stop-50*time.Millisecond ||
			lag.LeastSlack > limit-told[1].By+50*time.Millisecond || lag.LeastSlack < limit-told[1].By {
			t.Errorf("counted %+v", lag)
		}
		if len(w.violations) > 0 {
			t.Errorf("rules violated: %v", w.violations)
		}
	})
}

// TestFreePaceIsNeverBehind: bus time stands still with the host.
func TestFreePaceIsNeverBehind(t *testing.T) {
	r := newRig(t, free, 3*time.Second, nil, memTask(100), countTask(30))
	r.runner.cfg.MaxLag = time.Nanosecond
	r.runner.cfg.Behind = func(b Behind) { t.Errorf("told %+v", b) }
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if lag := r.Snapshot().Lag; lag != (Lag{LeastSlack: bus.NoSlack}) {
		t.Errorf("counted %+v", lag)
	}
}
