package dispatch

import (
	"context"
	"slices"
)

// Alive returns nil once the goroutine that owns the bus has begun another step after
// the call: proof that it goes on, for a watchdog. Unlike Do it needs no place among
// the on-demand jobs. Errors: ctx's when that took too long, *StoppedError when the bus was
// given up or Run has ended.
func (d *Dispatcher) Alive(ctx context.Context) error {
	begun := make(chan struct{})
	d.mu.Lock()
	if d.ended != nil {
		defer d.mu.Unlock()
		return d.ended
	}
	d.watchers = append(d.watchers, begun)
	d.wakeLoop()
	d.mu.Unlock()
	select {
	case <-begun:
		d.mu.Lock()
		defer d.mu.Unlock()
		return d.ended
	case <-ctx.Done():
		d.mu.Lock()
		defer d.mu.Unlock()
		d.watchers = slices.DeleteFunc(d.watchers, func(c chan struct{}) bool { return c == begun })
		return ctx.Err()
	}
}

// answerWatchers tells those who watch that the loop goes on, or has ended. The caller
// holds mu.
func (d *Dispatcher) answerWatchers() {
	for _, c := range d.watchers {
		close(c)
	}
	d.watchers = nil
}
