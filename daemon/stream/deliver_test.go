package stream

import (
	"context"
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// Readers that say when they rest are waited for until they do; who gives up waiting changes nothing for others, and
// only who is passed is not waited for, until it rests again.
func TestDelivered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := NewHub()
		slow := subscribe(t, h, Options{Name: "slow"})
		subscribe(t, h, Options{Name: "never says"})
		delivered := func() error {
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			defer cancel()
			return h.Delivered(ctx)
		}
		slow.Rest(true)
		if err := delivered(); err != nil {
			t.Errorf("while it rests: %v", err)
		}
		h.Publish(set("bow", 0, "a"))
		for range 2 {
			if err := delivered(); !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("while it has something to hand on: %v", err)
			}
		}
		waits := make(chan error, 1)
		go func() { waits <- h.Delivered(t.Context()) }()
		synctest.Wait()
		if passed, again := h.Pass(), h.Pass(); !slices.Equal(passed, []string{"slow"}) || len(again) > 0 {
			t.Errorf("passed %q, then %q", passed, again)
		}
		if err := <-waits; err != nil {
			t.Errorf("once it was passed: %v", err)
		}
		read(t, slow, 1)
		slow.Rest(true)
		h.Publish(set("bow", 1, "a"))
		if err := delivered(); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("after it had rested again: %v", err)
		}
	})
}
