package dispatch

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bustest"
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

// TestFreePaceIsNeverBehind: bus time stands still with the host.
func TestFreePaceIsNeverBehind(t *testing.T) {
	r := newRig(t, free, 3*time.Second, nil, memTask(100), countTask(30))
	r.runner.cfg.MaxLag = time.Nanosecond
	r.runner.cfg.Behind = func(b Behind) { t.Errorf("told %+v", b) }
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if lag := r.Snapshot().Lag; lag != (Lag{}) {
		t.Errorf("counted %+v", lag)
	}
}
