package wake

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/api/peertest"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func sleepers(t *testing.T) map[string]Sleeper {
	t.Helper()
	all := map[string]Sleeper{"timer": &Timer{}, "precise": Precise()}
	t.Cleanup(func() {
		for name, s := range all {
			if err := s.Close(); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
	})
	return all
}

// TestNotEarly: no wait ends before its time, whatever came before: other contexts, ended ones, waits of no length.
func TestNotEarly(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	for name, s := range sleepers(t) {
		r := rand.New(rand.NewPCG(seed, 0))
		ended, end := context.WithCancel(t.Context())
		end()
		ctx, cancel := context.WithCancel(t.Context())
		for range 60 {
			switch r.IntN(4) {
			case 0:
				if err := s.Sleep(ended, time.Now().Add(time.Hour)); !errors.Is(err, context.Canceled) {
					t.Fatalf("%s: under an ended context: %v", name, err)
				}
			case 1: // the one that is watched ends, without a wait
				cancel()
				ctx, cancel = context.WithCancel(t.Context())
			}
			under := []context.Context{ctx, t.Context(), context.Background()}[r.IntN(3)]
			until := time.Now().Add(time.Duration(r.IntN(2_000_000)) - 200*time.Microsecond)
			if err := s.Sleep(under, until); err != nil || time.Now().Before(until) {
				t.Fatalf("%s: it ended with %v, %v before its time", name, err, time.Until(until))
			}
		}
		cancel()
	}
}

// TestContextEndsAWait: a wait ends with its context, at once, and the next one is as if nothing had been.
func TestContextEndsAWait(t *testing.T) {
	for name, s := range sleepers(t) {
		for range 20 {
			ctx, cancel := context.WithCancel(t.Context())
			began, ended := make(chan struct{}), make(chan error)
			go func() {
				close(began)
				ended <- s.Sleep(ctx, time.Now().Add(time.Hour))
			}()
			<-began
			cancel()
			if err := <-ended; !errors.Is(err, context.Canceled) { // in an hour, otherwise
				t.Fatalf("%s: %v", name, err)
			}
			until := time.Now().Add(time.Millisecond)
			if err := s.Sleep(t.Context(), until); err != nil || time.Now().Before(until) {
				t.Fatalf("%s: the wait after it: %v", name, err)
			}
		}
	}
}

// TestWithoutTheKernelsTimer: where the kernel's timer fails, waits are those of an ordinary one.
func TestWithoutTheKernelsTimer(t *testing.T) {
	s := Precise()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	until := time.Now().Add(time.Millisecond)
	if err := s.Sleep(t.Context(), until); err != nil || time.Now().Before(until) {
		t.Errorf("it ended with %v, %v before its time", err, time.Until(until))
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.Sleep(ctx, time.Now().Add(time.Hour)); !errors.Is(err, context.Canceled) {
		t.Errorf("under an ended context: %v", err)
	}
}

// TestTimerInABubble: the ordinary timer waits in the time of a bubble.
func TestTimerInABubble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var s Timer
		begin := time.Now()
		if err := s.Sleep(t.Context(), begin.Add(time.Hour)); err != nil || time.Since(begin) != time.Hour {
			t.Errorf("%v after %v", err, time.Since(begin))
		}
	})
}

// TestNoAllocation: waits under one context allocate nothing.
func TestNoAllocation(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	for name, s := range sleepers(t) {
		wait := func() {
			if err := s.Sleep(ctx, time.Now().Add(50*time.Microsecond)); err != nil {
				t.Fatal(err)
			}
		}
		if n := testing.AllocsPerRun(20, wait); n != 0 {
			t.Errorf("%s: %v allocations a wait", name, n)
		}
	}
}

// BenchmarkSleep reports by how much waits of a few milliseconds end late.
func BenchmarkSleep(b *testing.B) {
	for _, c := range []struct {
		name string
		s    Sleeper
	}{{"timer", &Timer{}}, {"precise", Precise()}} {
		b.Run(c.name, func(b *testing.B) {
			var late []time.Duration
			for i := 0; b.Loop(); i++ {
				until := time.Now().Add(3*time.Millisecond + time.Duration(i%64)*37*time.Microsecond)
				if err := c.s.Sleep(b.Context(), until); err != nil {
					b.Fatal(err)
				}
				late = append(late, time.Since(until))
			}
			report(b, late)
		})
		if err := c.s.Close(); err != nil {
			b.Error(err)
		}
	}
}

func report(b *testing.B, took []time.Duration) {
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Nanoseconds())/1e3, "us-late-median")
	b.ReportMetric(float64(took[len(took)*99/100].Nanoseconds())/1e3, "us-late-p99")
}
