package dispatch

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/bus"
)

// lostAtSubmit is a bus that is found lost when something is handed over, while the result of a segment that has ended
// before has not been taken yet: the host is slow.
type lostAtSubmit struct {
	bus.BusCloser
	from   bus.Time
	flight []*bus.Segment
	ran    []*bus.Segment // that had ended by then, in order
	starts []bus.Time
}

var errBeganAnew = errors.New("the executor began anew")

func (l *lostAtSubmit) Submit(start bus.Time, s *bus.Segment) error {
	now := l.Now()
	if l.ran == nil && now >= l.from && len(l.flight) > 0 && l.starts[0].Add(5*time.Millisecond) < now {
		for i, at := range l.starts {
			if at.Add(5*time.Millisecond) < now {
				l.ran = append(l.ran, l.flight[i])
			}
		}
		return &bus.LostError{Cause: errBeganAnew}
	}
	err := l.BusCloser.Submit(start, s)
	if err == nil {
		l.flight, l.starts = append(l.flight, s), append(l.starts, start)
	}
	return err
}

func (l *lostAtSubmit) Next(ctx context.Context) (bus.Result, error) {
	res, err := l.BusCloser.Next(ctx)
	if err == nil {
		l.flight, l.starts = l.flight[1:], l.starts[1:]
		if l.Now() >= l.from.Add(-50*time.Millisecond) && l.ran == nil {
			time.Sleep(12 * time.Millisecond) // of the bubble's clock
		}
	}
	return res, err
}

// TestWhatRanBeforeALossHasRun: where the bus is found lost as something is handed over, the results that it still has
// of segments that ended before are taken first: their jobs are as the bus says, and not failed.
func TestWhatRanBeforeALossHasRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var l *lostAtSubmit
		r, _ := farRig(t, realtime, 0, bus.Limits{LeastLead: 2 * time.Millisecond, Queue: 12},
			func(b bus.BusCloser) bus.BusCloser {
				l = &lostAtSubmit{BusCloser: b, from: bus.Time(300 * time.Millisecond)}
				return l
			}, memTask(100), countTask(60))
		end := r.begin(t)
		time.Sleep(time.Second)
		if err := end(); err != nil {
			t.Fatal(err)
		}
		if len(l.ran) == 0 {
			t.Fatal("the bus was never lost; the test needs a slower host")
		}
		for _, s := range l.ran {
			for _, fs := range r.watch.of(s.Job.Task) {
				if fs.GetReleaseBusNs() == s.Job.Release.NS() && fs.GetFailure() != "" {
					t.Errorf("job %d of %s ran before the loss, and is said to have failed: %s", fs.GetJob(),
						s.Job.Task, fs.GetFailure())
				}
			}
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}
