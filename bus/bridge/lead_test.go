package bridge

import (
	"strings"
	"testing"
	"time"

	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
)

// TestOneSlowTrip: one trip at start that a busy machine has kept does not stand in the lead for as long as the bus.
func TestOneSlowTrip(t *testing.T) {
	t.Parallel()
	asked, slow := 0, 300*time.Millisecond
	b := pretender(t, func(f *wire.Frame, reply func(kind uint8, payload []byte)) {
		if f.Type == wire.TypeAlive {
			if asked++; asked == 3 {
				time.Sleep(slow)
			}
		}
		proper(f, reply)
	})
	if b.limits.ResultLatency >= slow || b.Status().Clock.WorstTrip < slow {
		t.Errorf("%v are allowed for the link, and the worst trip took %v", b.limits.ResultLatency,
			b.Status().Clock.WorstTrip)
	}
	if err := b.Close(); err == nil {
		t.Error("it has released nothing") // it pretends
	}
}

// TestASlowLink: a link that is slow on every trip has the lead that it needs, which says of what it is made.
func TestASlowLink(t *testing.T) {
	t.Parallel()
	const slow = 25 * time.Millisecond
	b := pretender(t, func(f *wire.Frame, reply func(kind uint8, payload []byte)) {
		if f.Type == wire.TypeAlive {
			time.Sleep(slow)
		}
		proper(f, reply)
	})
	if b.limits.ResultLatency < tripsOfLink*slow || b.limits.LeastLead < b.limits.ResultLatency ||
		!strings.Contains(b.Lead(), "4 times the") {
		t.Errorf("%+v: %s", b.limits, b.Lead())
	}
	if err := b.Close(); err == nil {
		t.Error("it has released nothing") // it pretends
	}
}

// TestTripsThatAreSteady: what is so short that it does not matter, or of the kind of the others.
func TestTripsThatAreSteady(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		took   []time.Duration
		steady bool
	}{
		{[]time.Duration{ms / 100, ms / 2, ms / 100}, true},
		{[]time.Duration{ms / 10, 3 * ms, ms / 10}, false},
		{[]time.Duration{20 * ms, 70 * ms, 20 * ms}, true},
		{[]time.Duration{20 * ms, 90 * ms, 20 * ms}, false},
	} {
		worst, steady := judgeTrips(c.took)
		if worst != c.took[1] || steady != c.steady {
			t.Errorf("%v: %v, %v", c.took, worst, steady)
		}
	}
}

// TestADeviceThatBeganAnew: its worst trip is of its own time, as the least is.
func TestADeviceThatBeganAnew(t *testing.T) {
	c := newClock(bustest.MustLinearArray().Grain())
	token := c.ask()
	time.Sleep(2 * time.Millisecond)
	if took := c.answered(token, 1); took < 2*time.Millisecond || c.worst != took || c.answered(token, 1) != 0 {
		t.Errorf("%v, worst %v", took, c.worst)
	}
	if c.restart(0); c.worst != 0 || c.least != 0 {
		t.Errorf("of the one before: worst %v, least %v", c.worst, c.least)
	}
}
