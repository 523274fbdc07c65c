package bustime

import (
	"sync"
	"testing"
	"time"
)

func TestArithmetic(t *testing.T) {
	at := Time(1500)
	if got := at.Add(2 * time.Microsecond); got != 3500 || got.Sub(at) != 2*time.Microsecond ||
		at.Sub(got) != -2*time.Microsecond {
		t.Errorf("%v, %v apart", got, got.Sub(at))
	}
	if at.NS() != 1500 || at.Elapsed() != 1500*time.Nanosecond || at.String() != "1500 ns" {
		t.Errorf("%d, %v, %q", at.NS(), at.Elapsed(), at.String())
	}
	if !(Never < 0 && Never < at && at < Forever) {
		t.Error("Never and Forever do not lie around all times")
	}
}

// TestClock: whoever is last, the clock ends at the latest time and never runs back.
func TestClock(t *testing.T) {
	var c Clock
	var all sync.WaitGroup
	for g := range 8 {
		all.Go(func() {
			for i := range 1000 {
				before := c.Now()
				c.Reach(Time(i*8 + g))
				if now := c.Now(); now < before || now < Time(i*8+g) {
					t.Errorf("the clock stands at %v after %v and %d", now, before, i*8+g)
				}
			}
		})
	}
	all.Wait()
	if c.Now() != 999*8+7 {
		t.Errorf("the clock stands at %v", c.Now())
	}
}
