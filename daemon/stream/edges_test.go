package stream

import (
	"errors"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

func at(release time.Duration) *facetdv1.FrameSet {
	return &facetdv1.FrameSet{Task: "ring", ReleaseBusNs: int64(release)}
}

// keeps publishes releases and checks which of them come to a subscriber of 100 frame sets a second.
func keeps(t *testing.T, releases []time.Duration, want ...bool) {
	t.Helper()
	d := newDecimator(100)
	for i, release := range releases {
		if got := d.keeps(at(release)); got != want[i] {
			t.Errorf("release %d of %v: kept %v, want %v", i, releases, got, want[i])
		}
	}
}

// TestDueTimes: a release may come early by the rounding of periods and no more; a second one at the same time is not
// another turn; after a jump back, even to a time after the first release, the task starts over at once.
func TestDueTimes(t *testing.T) {
	const ms, slack = time.Millisecond, time.Duration(thinSlack)
	keeps(t, []time.Duration{0, 10*ms - slack, 20*ms - slack}, true, true, true)
	keeps(t, []time.Duration{0, 10*ms - slack - 1, 10 * ms}, true, false, true)
	keeps(t, []time.Duration{5 * ms, 5 * ms}, true, false)
	keeps(t, []time.Duration{0, 10 * ms, 10 * ms, 20 * ms}, true, true, false, true)
	keeps(t, []time.Duration{0, 1000 * ms, 505 * ms, 510 * ms, 515 * ms}, true, true, true, false, true)
}

func TestNoSuchPolicy(t *testing.T) {
	h := NewHub()
	for _, p := range []Policy{numPolicies, numPolicies + 1} {
		if s, err := h.Subscribe(Options{Policy: p}); err == nil {
			s.Close()
			t.Errorf("policy %d is taken", p)
		}
	}
}

// TestFlow: readers who wait for the queues are told of everything that moves them, and count what was taken.
func TestFlow(t *testing.T) {
	h := NewHub()
	moved := h.Moved()
	flow := func(doing string, signalled bool, open, waiting int, taken uint64) {
		t.Helper()
		select {
		case <-moved:
			if !signalled {
				t.Errorf("%s was signalled", doing)
			}
		default:
			if signalled {
				t.Errorf("%s was not signalled", doing)
			}
		}
		if o, w, n := h.Flow(); o != open || w != waiting || n != taken {
			t.Errorf("after %s: %d open, %d waiting, %d taken, want %d, %d, %d", doing, o, w, n, open, waiting, taken)
		}
	}
	flow("nothing", false, 0, 0, 0)
	a := subscribe(t, h, Options{Policy: Queue})
	flow("coming", true, 1, 0, 0)
	b := subscribe(t, h, Options{Policy: Queue})
	flow("coming", true, 2, 0, 0)
	for job := range uint64(3) {
		h.Publish(set("a", job))
	}
	flow("publishing", false, 2, 6, 0)
	read(t, a, 1)
	flow("reading", true, 2, 5, 1)
	read(t, b, 2)
	flow("reading", true, 2, 3, 3)
	a.Close()
	flow("leaving", true, 1, 1, 2)
	a.Close()
	flow("leaving again", false, 1, 1, 2)
	h.Suspend(errors.New("busy"))
	flow("suspending", true, 1, 1, 2)
	h.Close("end")
	flow("closing", true, 1, 1, 2)
}

// TestNobodyIsToldWhoDidNotAsk: no token waits for the first call of Moved.
func TestNobodyIsToldWhoDidNotAsk(t *testing.T) {
	h := NewHub()
	subscribe(t, h, Options{}).Close()
	select {
	case <-h.Moved():
		t.Error("an event from before the first call was signalled")
	default:
	}
}

// TestTheFirstCauseStays: of several ends a reader is told the first, but what its owner closed hands nothing out.
func TestTheFirstCauseStays(t *testing.T) {
	h := NewHub()
	why := errors.New("a recording is to be replayed")
	s := subscribe(t, h, Options{})
	h.Publish(set("a", 0))
	h.Suspend(why)
	h.Close("end")
	read(t, s, 1)
	if _, err := s.Next(t.Context()); err != why {
		t.Errorf("suspended, then closed: %v, want %v", err, why)
	}

	h = NewHub()
	s = subscribe(t, h, Options{})
	h.Publish(set("a", 0))
	h.Close("end")
	s.Close()
	if m, err := s.Next(t.Context()); err != ErrLeft {
		t.Errorf("closed by its owner: %v, %v", m.FrameSet, err)
	}
}

// TestWhatWasReadMayGo: a queue keeps no frame set alive that was read.
func TestWhatWasReadMayGo(t *testing.T) {
	h := NewHub()
	s := subscribe(t, h, Options{Policy: Queue})
	h.Publish(set("a", 0))
	h.Publish(set("a", 1))
	places := s.waiting
	read(t, s, 1)
	if places[0].set != nil || places[1].set == nil {
		t.Errorf("the queue holds %v and %v after the first was read", places[0].set, places[1].set)
	}
}
