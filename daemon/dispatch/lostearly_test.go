package dispatch

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/bus"
)

// noteLead is a bus that notes how long before its start a segment was handed over at most.
type noteLead struct {
	bus.BusCloser
	most time.Duration
}

func (b *noteLead) Submit(start bus.Time, s *bus.Segment) error {
	if s.Job.Task != "" {
		b.most = max(b.most, start.Sub(b.Now()))
	}
	return b.BusCloser.Submit(start, s)
}

// TestHandsOverNoEarlierAfterALoss: what was in flight when the bus was lost was to run later. Once it is found again,
// at once, segments are handed over as long before their start as always: whether a job is run, and with which
// parameters, is decided no earlier.
func TestHandsOverNoEarlierAfterALoss(t *testing.T) {
	limits := bus.Limits{LeastLead: time.Millisecond, Queue: 50}
	synctest.Test(t, func(t *testing.T) {
		var l *lossy
		var noted *noteLead
		r, _ := farRig(t, realtime, 900*time.Millisecond, limits, func(b bus.BusCloser) bus.BusCloser {
			l = newLossy(b)
			noted = &noteLead{BusCloser: l}
			return noted
		}, memTask(200), countTask(50))
		l.inspector = r.bus.Inspector()
		done := make(chan error, 1)
		go func() { done <- r.Run(context.Background()) }()
		for range 5 {
			time.Sleep(121 * time.Millisecond)
			l.set(true)
			l.set(false)
		}
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		failed := 0
		for _, fs := range r.watch.of("mem") {
			if fs.GetFailure() != "" {
				failed++
			}
		}
		if failed < 10 {
			t.Errorf("%d jobs failed as the bus was lost", failed)
		}
		if most := triggerLead(limits) + r.bus.Limits().Grain; noted.most > most {
			t.Errorf("a segment was handed over %v before its start, %v at most are needed", noted.most, most)
		}
	})
}
