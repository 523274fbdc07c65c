package server

import (
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/config"
)

// monotonic is what any program of this machine sees of its monotonic clock.
func monotonic(t *testing.T) int64 {
	t.Helper()
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
		t.Fatal(err)
	}
	return now.Nano()
}

// A robot gets its time after it has booted: UTC is set while the array runs. Frames follow it, an event and a metric
// tell, and by the monotonic clock nothing has happened.
func TestUTCIsSet(t *testing.T) {
	t.Parallel()
	const step = 9 * 365 * 24 * time.Hour
	var set atomic.Int64
	c := quick()
	c.Pace, c.Data = config.Realtime, t.TempDir()
	c.utc = func(now time.Time) int64 { return now.UnixNano() + set.Load() }
	p := start(t, c)
	conn := p.dial(p.Addresses().GRPC)
	clocks, frames := facetdv1.NewStatusServiceClient(conn), facetdv1.NewFrameServiceClient(conn)
	look := func(epoch uint32, offset time.Duration) (monotonicNS int64) {
		t.Helper()
		sent := monotonic(t)
		got, err := clocks.GetClock(limited(t), &facetdv1.GetClockRequest{})
		received := monotonic(t)
		if err != nil {
			t.Fatal(err)
		}
		k := got.GetClock()
		if off := k.GetUncertaintyNs(); k.GetMonotonicNs() < sent-off || k.GetMonotonicNs() > received+off ||
			off <= 0 ||
			off > int64(time.Second) {
			t.Errorf("between %d and %d the clock said %v", sent, received, k)
		}
		if off := k.GetUtcTime().AsTime().Sub(time.Now().Add(offset)).Abs(); off > time.Second ||
			k.GetUtcEpoch() != epoch {
			t.Errorf("UTC is off by %v, epoch %d", off, k.GetUtcEpoch())
		}
		if id := got.GetIdentity(); id.GetHostBootId() == "" || id.GetInstanceId() == "" {
			t.Errorf("identity %v", id)
		}
		return k.GetMonotonicNs()
	}
	capture := func(epoch uint32, offset time.Duration) {
		t.Helper()
		before := monotonic(t)
		target := &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{"wall-00"}}}}
		r, err := frames.CaptureFrames(limited(t), &facetdv1.CaptureFramesRequest{Target: target})
		if err != nil {
			t.Fatal(err)
		}
		f := r.GetFrameSet().GetFrames()[0]
		off := f.GetTimeUncertaintyNs()
		if at := f.GetFirstSampleMonotonicNs(); at < before-off || at > monotonic(t)+off || f.GetUtcEpoch() != epoch {
			t.Errorf("sampled at %d +- %d of the monotonic clock, epoch %d", at, off, f.GetUtcEpoch())
		}
		if off := f.GetFirstSampleTime().AsTime().Sub(time.Now().Add(offset)).Abs(); off > 10*time.Second {
			t.Errorf("UTC of the frame is off by %v", off)
		}
	}
	first := look(1, 0)
	capture(1, 0)
	set.Store(int64(step))
	watch, err := facetdv1.NewEventServiceClient(conn).StreamEvents(limited(t), &facetdv1.StreamEventsRequest{
		Filter: &facetdv1.EventFilter{Kinds: []facetdv1.EventKind{facetdv1.EventKind_EVENT_KIND_CLOCK_SET}}})
	if err != nil {
		t.Fatal(err)
	}
	told, err := watch.Recv()
	if err != nil {
		t.Fatal(err)
	}
	if e := told.GetEvent(); !strings.Contains(e.GetText(), "it was set, or the host slept") ||
		e.GetFields()["step_ns"].GetInteger() == 0 {
		t.Errorf("event %v", e)
	}
	if second := look(2, step); second <= first || second-first > int64(time.Minute) {
		t.Errorf("the monotonic clock went from %d to %d", first, second)
	}
	capture(2, step)
	if got := p.metric("facetd_utc_steps_total"); got != 1 {
		t.Errorf("%v steps", got)
	}
}
