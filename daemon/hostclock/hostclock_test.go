package hostclock

import (
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/api/machine"
)

// TestInstant: what is told of now lies between two looks at the system's clocks.
func TestInstant(t *testing.T) {
	c, err := New(nil)
	if err != nil {
		t.Fatal(err)
	}
	for range 100 {
		before, err := machine.Monotonic()
		if err != nil {
			t.Fatal(err)
		}
		now := time.Now()
		after, err := machine.Monotonic()
		if err != nil {
			t.Fatal(err)
		}
		at := c.Instant(now, 5)
		if off := int64(at.Uncertainty); at.Monotonic < before-off || at.Monotonic > after+off || at.Uncertainty < 5 {
			t.Errorf("CLOCK_MONOTONIC between %d and %d is told as %d +- %d", before, after, at.Monotonic, off)
		}
		// UTC may be slewed, or even set, while the test runs: a second is allowed for.
		if d := at.UTC.Sub(now).Abs(); at.Epoch == 0 || d > time.Second || at.UTC.Location() != time.UTC {
			t.Errorf("UTC %v is told as %v in epoch %d", now, at.UTC, at.Epoch)
		}
	}
}

// TestSettingUTC: a setting begins an epoch once it was looked at, and leaves the monotonic clock alone.
func TestSettingUTC(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var set int64
		c, err := New(func(now time.Time) int64 { return now.UnixNano() + set })
		if err != nil {
			t.Fatal(err)
		}
		if c.Look() != 0 || c.Steps() != 0 {
			t.Error("a step before any")
		}
		begun := time.Now()
		first := c.Instant(begun, 0)
		for i, step := range []time.Duration{0, 20 * 365 * 24 * time.Hour, -time.Minute, 500 * time.Microsecond} {
			time.Sleep(Period)
			set += int64(step)
			want := step
			if step == 500*time.Microsecond { // within what is told as uncertain
				want = 0
			}
			if got := c.Look(); got != want {
				t.Errorf("a step of %v is told as %v", step, got)
			}
			now := time.Now()
			at := c.Instant(now, 0)
			if apart := now.Sub(begun); at.Monotonic-first.Monotonic != int64(apart) {
				t.Errorf("after %v the monotonic clock went %v", apart, at.Monotonic-first.Monotonic)
			}
			if off := at.UTC.Sub(now.Add(time.Duration(set))).Abs(); off > at.UTCUncertainty {
				t.Errorf("UTC is off by %v, told are %v", off, at.UTCUncertainty)
			}
			if want := []uint32{1, 2, 3, 3}[i]; at.Epoch != want || c.Steps() != uint64(want-1) {
				t.Errorf("epoch %d, want %d; %d steps", at.Epoch, want, c.Steps())
			}
		}
	})
}
