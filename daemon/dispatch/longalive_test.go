package dispatch

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
)

// TestAliveWhileItExposes: an exposure may be longer than a watchdog waits, and a segment have several of them. The
// loop is alive all the time, and the jobs run as planned, also on a bus that is given work ahead. One that gives no
// result when it should is no proof of life.
func TestAliveWhileItExposes(t *testing.T) {
	for name, chips := range map[string][]string{"one": {"m0"}, "several": {"m0", "m1", "m2"}} {
		for _, limits := range []bus.Limits{{}, {LeastLead: 2 * time.Millisecond, Queue: 4}} {
			t.Run(fmt.Sprintf("%s, lead %v", name, limits.LeastLead), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) { aliveWhileItExposes(t, chips, limits) })
			})
		}
	}
}

// mute is a bus that gives no results while it is muted; its driver comes back when it is told to.
type mute struct {
	bus.BusCloser
	muted atomic.Bool
}

func (m *mute) Next(ctx context.Context) (bus.Result, error) {
	if m.muted.Load() {
		<-ctx.Done()
		return bus.Result{}, ctx.Err()
	}
	return m.BusCloser.Next(ctx)
}

func aliveWhileItExposes(t *testing.T, chips []string, limits bus.Limits) {
	t.Helper()
	msg := bustest.LinearMessage()
	msg.Classes[0].GetLinear().Shutter.Most = durationpb.New(time.Minute)
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	task := &facetdv1.Task{Name: "night", Target: list(chips...), RateHz: 0.02, Views: []*facetdv1.View{
		{Name: "dim", Exposure: durationpb.New(12 * time.Second), Window: &facetdv1.Window{Rows: 1, Columns: 2}}}}
	b, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(100), Pace: realtime, Seed: 7, Limits: limits})
	if err != nil {
		t.Fatal(err)
	}
	w, quiet := &watcher{}, &mute{BusCloser: b}
	r, err := New(Config{Array: a, Bus: quiet, Observer: w, Logger: zap.NewNop(), Inspector: b.Inspector(),
		Tasks: []*facetdv1.Task{task}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	alive := func() error {
		within, cancel := context.WithTimeout(ctx, 3300*time.Millisecond)
		defer cancel()
		return r.Alive(within)
	}
	for second := range 130 {
		if err := alive(); err != nil {
			t.Errorf("after %d s: %v", second, err)
			break
		}
		time.Sleep(time.Second)
	}
	sets := w.of("night")
	if len(sets) < 2 || len(w.violations) > 0 {
		t.Errorf("%d jobs, rules violated: %v", len(sets), w.violations)
	}
	for _, fs := range sets {
		if fs.GetFailure() != "" || fs.GetLate() || fs.GetFrames()[0].GetExposureNs() != 12e9 {
			t.Errorf("job %d: %q, late %v", fs.GetJob(), fs.GetFailure(), fs.GetLate())
		}
	}
	quiet.muted.Store(true)
	err = nil
	for until := time.Now().Add(2 * time.Minute); err == nil && time.Now().Before(until); time.Sleep(time.Second) {
		err = alive()
	}
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("without results: %v", err)
	}
	stop()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
}
