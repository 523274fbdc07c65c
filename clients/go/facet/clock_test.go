package facet_test

import (
	"errors"
	"testing"
	"time"

	"golang.org/x/sys/unix"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"facetd.example/clients/go/facet"
)

// TestClock: the clock of the daemon's host, which is this machine's here, is known within what is told, and a frame is
// as old as it is.
func TestClock(t *testing.T) {
	at, stop := daemon(t, "127.0.0.1:0")
	c, err := facet.Connect(at, facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	clock, err := c.Clock(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	begun := time.Now()
	for range 20 {
		if err := clock.Ask(t.Context()); err != nil {
			t.Fatal(err)
		}
		before := time.Now()
		var now unix.Timespec
		if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
			t.Fatal(err)
		}
		after := time.Now()
		at, off := clock.Time(now.Nano())
		if at.Add(off).Before(before) || at.Add(-off).After(after) || off <= 0 {
			t.Errorf("what was read from %v to %v is told as %v +- %v", before, after, at, off)
		}
	}
	last, middle := clock.Last()
	if last.GetBusNs() == 0 || last.GetUtcEpoch() == 0 || middle.Before(begun) || middle.After(time.Now()) {
		t.Errorf("the last answer is %v, at %v", last, middle)
	}
	asked := time.Now()
	set, err := c.Capture(t.Context(), facet.Chips("wall-00"), facet.CaptureOptions{})
	if err != nil {
		t.Fatal(err)
	}
	age := clock.Age(set)
	// By the monotonic clock, whatever is taken for UTC here.
	ahead, err := facet.Connect(at, facet.Options{Clock: func() time.Time { return time.Now().Add(time.Hour) }})
	if err != nil {
		t.Fatal(err)
	}
	defer ahead.Close()
	late, err := ahead.Capture(t.Context(), facet.Chips("wall-00"), facet.CaptureOptions{})
	if err != nil || late.IsStale(time.Minute) {
		t.Errorf("a capture is %v old by a clock that is an hour fast: %v", late.Age(), err)
	}
	// Loaded after it was asked for, on a bus that may be late by what the frame says.
	if whole := time.Since(asked); age <= 0 || age > whole+2*set.Frames()[0].TimeUncertainty()+time.Second {
		t.Errorf("the frame is told to be %v old, %v after it was asked for", age, whole)
	}
	if age := clock.Age(&facet.FrameSet{}); age < 1<<62 {
		t.Errorf("a set without frames is %v old", age)
	}
	recorded := *set
	set.Frames()[0].Message.FirstSampleMonotonicNs = 0
	if age := clock.Age(&recorded); age < 1<<62 {
		t.Errorf("a set of a replay is %v old", age)
	}
	// UTC is set while a set waits: its age is what it was.
	s, err := c.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{"bow"}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	set, err = s.Next()
	if err != nil {
		t.Fatal(err)
	}
	before := set.Age()
	for _, f := range set.Frames() {
		f.Message.FirstSampleTime = timestamppb.New(f.FirstSampleTime().Add(-time.Hour))
	}
	if clock.Age(set) <= 0 || clock.Age(set) > before+time.Minute {
		t.Errorf("%v old by its own clock, %v by that of the daemon", before, clock.Age(set))
	}
	if after := set.Age(); before <= 0 || after < before || after > before+time.Minute {
		t.Errorf("%v old before UTC was set, %v after", before, after)
	}
	// A time from another boot, or of a clock that is not the one it is taken for, lies in the future.
	for _, f := range set.Frames() {
		f.Message.FirstSampleMonotonicNs += int64(time.Hour)
	}
	if own, far := set.Age(), clock.Age(set); own < 1<<62 || far < 1<<62 || !set.IsStale(time.Hour) {
		t.Errorf("light of the future is %v and %v old", own, far)
	}
	stop()
	var failed *facet.Error
	if err := clock.Ask(t.Context()); !errors.As(err, &failed) || failed.Code != codes.Unavailable {
		t.Errorf("a daemon that is gone: %v", err)
	}
}
