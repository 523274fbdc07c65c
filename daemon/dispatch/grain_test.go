package dispatch

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// startsOf notes when segments are to start.
type startsOf struct {
	bus.BusCloser
	mu     sync.Mutex
	starts []bus.Time
}

func (s *startsOf) Submit(start bus.Time, seg *bus.Segment) error {
	s.mu.Lock()
	s.starts = append(s.starts, start)
	s.mu.Unlock()
	return s.BusCloser.Submit(start, seg)
}

// TestEveryStartIsOnTheGrain: on a bus with a coarse grain everything that the dispatcher starts, of the table, between
// its jobs, and after changes at any instant, starts on the grain and at its time: no rule is violated, no job is late.
func TestEveryStartIsOnTheGrain(t *testing.T) {
	for _, grain := range []time.Duration{7, 125, 1000} {
		t.Run(fmt.Sprint(grain), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { startOnGrain(t, grain) })
		})
	}
}

func startOnGrain(t *testing.T, grain time.Duration) {
	a, err := bustest.MustArray().OnGrain(grain)
	if err != nil {
		t.Fatal(err)
	}
	var seen *startsOf
	r := newRigOf(t, a, realtime, 0, func(b bus.BusCloser) bus.BusCloser {
		seen = &startsOf{BusCloser: b}
		return seen
	}, memTask(100))
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	for i := range 8 {
		time.Sleep(33*time.Millisecond + 12345*time.Nanosecond)
		if _, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("c0")}); err != nil {
			t.Error(err)
		}
		time.Sleep(3*time.Millisecond + 777*time.Nanosecond)
		change := func() error { _, err := r.AddTask(ctx, countTask(70)); return err }
		if i%2 == 1 {
			change = func() error { _, err := r.RemoveTask(ctx, "count"); return err }
		}
		if err := change(); err != nil {
			t.Error(err)
		}
	}
	if _, err := r.Send(ctx, &facetdv1.Command{Target: list("m0"), Action: &facetdv1.Command_Write{
		Write: &facetdv1.RegisterWrite{Register: chipmodel.OutputEnable}}}); err != nil {
		t.Error(err)
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if len(seen.starts) < 50 {
		t.Errorf("only %d segments were started", len(seen.starts))
	}
	for _, at := range seen.starts {
		if at%bus.Time(grain) != 0 {
			t.Fatalf("a segment is to start at %v on a grain of %v", at, grain)
		}
	}
	for _, fs := range r.watch.sets {
		if fs.GetFailure() != "" && fs.GetFailure() != "the daemon stopped" || fs.GetLate() {
			t.Errorf("%s job %d: late %v, failure %q", fs.GetTask(), fs.GetJob(), fs.GetLate(), fs.GetFailure())
		}
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}
