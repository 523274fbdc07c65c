package chipmodel

import (
	"errors"
	"strings"
	"testing"
	"time"
)

// TestGrain: every part of an operation takes whole grains, at least what is described, and less than a grain more.
func TestGrain(t *testing.T) {
	a := testArray(t, true)
	for _, grain := range []time.Duration{1, 3, 7, 25, 125} {
		on, err := a.OnGrain(grain)
		if err != nil || on.Grain() != grain || a.Grain() != 1 || on.Digest != a.Digest {
			t.Fatalf("on a grain of %v: %v, %v; before %v", grain, on.Grain(), err, a.Grain())
		}
		counter := a.Chips[2].Class
		for _, c := range []struct {
			what      string
			got, want time.Duration
		}{
			{"dead time", on.DeadTime(), a.DeadTime()}, {"a write", on.WriteTime(), a.WriteTime()},
			{"a strobe", on.StrobeTime(), a.StrobeTime()},
			{"a load", on.LoadTime(a.Classes[0]), a.LoadTime(a.Classes[0])},
			{"a share", on.ShareHold(a.Classes[0], 0x55, 0), a.ShareHold(a.Classes[0], 0x55, 0)},
			{"a reset", on.ResetTime(counter), a.ResetTime(counter)},
			{"an advance", on.AdvanceTime(counter), a.AdvanceTime(counter)},
			{"a step", on.StepTime(counter), a.StepTime(counter)},
			{"a conversion", on.ConversionTime(0), a.ConversionTime(0)},
		} {
			if c.got%grain != 0 || c.got < c.want || c.got >= c.want+grain || !on.OnGrid(c.got) {
				t.Errorf("on a grain of %v %s takes %v, at least %v are needed", grain, c.what, c.got, c.want)
			}
		}
		w, _ := NewWindow(nil, a.Chips[0].Class, 1, 1)
		s, least := on.ScanTime([]int{0}, w, 0), a.ScanTime([]int{0}, w, 0)
		if s.Duration < least.Duration || s.First%grain != 0 || s.PixelInterval%grain != 0 ||
			s.RowInterval%grain != 0 ||
			s.Duration%grain != 0 || s.Settle%grain != 0 || s.Convert%grain != 0 {
			t.Errorf("on a grain of %v a readout is %+v, at least %+v", grain, s, least)
		}
		if at := on.UpTime(1000); at < 1000 || int64(at)%int64(grain) != 0 || at >= 1000+1000 {
			t.Errorf("on a grain of %v the next start after 1000 ns is %v", grain, at)
		}
	}
}

// TestGrainTooCoarse: a bus that could not release the lines in time is refused, with both numbers.
func TestGrainTooCoarse(t *testing.T) {
	a := testArray(t, true)
	limit := a.Timing.ReleaseLimit
	if _, err := a.OnGrain(limit); err != nil {
		t.Errorf("a grain of just the release limit: %v", err)
	}
	for _, grain := range []time.Duration{limit + 1, 0, -1} {
		_, err := a.OnGrain(grain)
		if refused := new(GrainError); !errors.As(err, &refused) {
			t.Errorf("a grain of %v gives %v", grain, err)
		} else if grain > limit && !strings.Contains(err.Error(), limit.String()) {
			t.Errorf("%v: says nothing of the limit of %v", err, limit)
		}
	}
}
