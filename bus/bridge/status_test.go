package bridge

import (
	"errors"
	"syscall"
	"testing"

	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
)

// TestRebootsAreCounted: by the sessions that were opened, whatever broke off between them before its device was
// configured.
func TestRebootsAreCounted(t *testing.T) {
	var r record
	for _, boot := range []uint32{7, 7, 9, 9, 7} {
		r.opened(&session{boot: boot})
	}
	if r.counters.Sessions != 5 || r.counters.Reboots != 2 || r.boot != 7 {
		t.Errorf("%d sessions, %d reboots, boot %d", r.counters.Sessions, r.counters.Reboots, r.boot)
	}
}

// accounted: each run that was handed over is in one of the counters, or still under way.
func (r *rig) accounted(t testing.TB) {
	t.Helper()
	c := r.Status().Counters
	r.mu.Lock()
	defer r.mu.Unlock()
	ended := c.Runs + c.LateHost + c.LateLink + c.LateDevice + c.Recalled + c.Underruns + c.BrokenOff +
		c.Rejected + c.Lost
	under := uint64(0)
	for _, f := range r.flights {
		if f.result == nil && f.err == nil {
			under++
		}
	}
	if c.Submitted != ended+under || c.Contradicted > c.Runs {
		t.Errorf("of %d runs handed over %d have ended and %d are under way: %+v", c.Submitted, ended, under, c)
	}
}

// TestWhatIsLostIsCounted: runs that were under way when a device was lost, and messages that it had not acknowledged.
func TestWhatIsLostIsCounted(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, bridgetest.Config{}), within(t)
	p := programsOnly(t, ctx, r)
	before := r.Status().Counters
	if before.Lost+before.Link.Unacknowledged > 0 {
		t.Errorf("before anything was lost: %+v", before)
	}
	if err := r.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	r.submit(t, p, 3, r.soon())
	if err := lostIs(t, r); err == nil {
		t.Error("lost without a cause")
	}
	for range 3 {
		if res, err := r.Next(ctx); err != nil || !errors.As(res.Err, new(*bus.LostError)) {
			t.Errorf("%v, %v", err, res.Err)
		}
	}
	if c := r.Status().Counters; c.Lost != 3 || c.Submitted != before.Submitted+3 || c.Link.Unacknowledged < 3 {
		t.Errorf("three runs were lost: %+v", c)
	}
}
