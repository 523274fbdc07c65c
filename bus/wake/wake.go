// Package wake is for waiting until a time, and not much longer. A timer of the Go runtime ends a wait some half to a
// whole millisecond late where nothing else goes on, as the runtime asks the kernel for whole milliseconds; a timer of
// the kernel's own ends it within a tenth of one, without spinning.
package wake

import (
	"context"
	"time"
)

// Sleeper waits. One goroutine may use it at a time.
type Sleeper interface {
	// Sleep blocks until the monotonic clock has come to a time, or until ctx ends, and returns ctx's error in that
	// case.
	Sleep(ctx context.Context, until time.Time) error
	// Close gives up what the sleeper holds. It cannot be used afterwards.
	Close() error
}

// Timer waits by a timer of the Go runtime: in testing/synctest it waits in the time of the bubble.
type Timer struct{ timer *time.Timer }

// Sleep implements Sleeper.
func (t *Timer) Sleep(ctx context.Context, until time.Time) error {
	wait := time.Until(until)
	if wait <= 0 {
		return ctx.Err()
	}
	if t.timer == nil {
		t.timer = time.NewTimer(wait)
	} else {
		t.timer.Reset(wait)
	}
	select {
	case <-t.timer.C:
		return nil
	case <-ctx.Done():
		t.timer.Stop()
		return ctx.Err()
	}
}

// Close implements Sleeper.
func (t *Timer) Close() error { return nil }
