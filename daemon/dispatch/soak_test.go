package dispatch

import (
	"context"
	"errors"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/scheduler"
)

// TestSoak runs minutes of bus time, in all cases an hour, with a task added or removed every second and a
// on-demand job now and then: every job of every task is numbered without a gap and ends
// on time, every frame is whole, no rule is violated.
func TestSoak(t *testing.T) {
	t.Parallel()
	hour := peertest.Cases(3*time.Minute, time.Hour)
	if testing.Short() {
		hour = 2 * time.Minute
	}
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(20))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		running := map[string]bool{}
		refused := 0
		for second := range int(hour / time.Second) {
			time.Sleep(time.Second + time.Duration(rng.IntN(1000))*time.Microsecond)
			name := []string{"c0", "t0", "s0", "h0"}[rng.IntN(4)]
			var err error
			if running[name] {
				_, err = r.RemoveTask(ctx, name)
			} else {
				_, err = r.AddTask(ctx, &facetdv1.Task{Name: name, Target: list(name),
					RateHz: []float64{5, 10, 20, 40}[rng.IntN(4)]})
			}
			var refusal *scheduler.RefusalError
			switch {
			case errors.As(err, &refusal):
				refused++
			case err != nil:
				t.Fatalf("second %d: %v", second, err)
			default:
				running[name] = !running[name]
			}
			if second%7 == 0 {
				if _, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("m1")}); err != nil {
					t.Fatalf("second %d: capture: %v", second, err)
				}
			}
			r.watch.check(t)
		}
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if got, want := r.watch.total, uint64(hour/time.Second)*20; got < want {
			t.Errorf("%d jobs, the first task alone has %d", got, want)
		}
		t.Logf("%d jobs, %d frames, %d timetables, %d changes refused", r.watch.total, r.watch.frames, r.watch.plans,
			refused)
	})
}

// check judges the sets so far and forgets them.
func (w *watcher) check(t *testing.T) {
	t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.next == nil {
		w.next = map[string]uint64{}
	}
	for _, fs := range w.sets {
		w.total++
		if fs.GetFailure() != "" || fs.GetLate() {
			t.Fatalf("job %d of %q: late %v, failure %q", fs.GetJob(), fs.GetTask(), fs.GetLate(), fs.GetFailure())
		}
		if fs.GetTask() != "" && fs.GetJob() != 0 && fs.GetJob() != w.next[fs.GetTask()] {
			t.Fatalf("job %d of %q follows job %d", fs.GetJob(), fs.GetTask(), w.next[fs.GetTask()]-1)
		}
		w.next[fs.GetTask()] = fs.GetJob() + 1
		for _, f := range fs.GetFrames() {
			w.frames++
			if len(f.GetData()) != int(2*f.GetRows()*f.GetColumns()) || f.GetLastConvertedBusNs() == 0 {
				t.Fatalf("job %d of %q: frame of %s is not whole", fs.GetJob(), fs.GetTask(), f.GetChip())
			}
		}
	}
	w.sets = w.sets[:0]
	if len(w.violations) > 0 {
		t.Fatalf("rules violated: %v", w.violations)
	}
}
