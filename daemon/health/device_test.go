package health

import (
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestALostDevice: while the device is away that is the one finding, whatever its jobs do, with its cause and what to
// do;
// what failed for it is held against no task when it is back, and jobs that go on failing are.
func TestALostDevice(t *testing.T) {
	m := bench()
	now, job := int64(0), uint64(0)
	device := &Device{Address: "unix:x", Connected: true, For: time.Hour}
	run := func(n int, failure string) *facetdv1.Health {
		for range n {
			now += period
			device.For += time.Duration(period)
			for _, name := range []string{"t-m0", "t-m1"} {
				job++
				m.JobEnded(&facetdv1.FrameSet{Task: name, Job: job, FinishBusNs: now, Failure: failure})
			}
		}
		c := conditions(m, now)
		c.Device = device
		return m.Report(c)
	}
	if h := run(20, ""); ids(h) != "" || !h.GetDevice().GetConnected() || h.GetDevice().ClockUncertaintyNs != nil {
		t.Fatalf("fault-free: %q, %v", ids(h), h.GetDevice())
	}
	lost := now
	device.Connected, device.Losses, device.Loss, device.For = false, 1, "the cable is out", 0
	for range 30 {
		h := run(1, "the bus is lost")
		f := h.GetFindings()
		if ids(h) != "device/lost" || h.GetState() != facetdv1.HealthState_HEALTH_STATE_BAD ||
			!strings.Contains(h.GetSummary(), "the cable is out") || f[0].GetSinceBusNs() != lost ||
			f[0].GetAction() == "" || f[0].GetCause() == "" || len(f[0].GetChips()) != len(m.array.Chips) {
			t.Fatalf("away: %q, %s, %v", ids(h), h.GetSummary(), f)
		}
		if h.GetChips()[0].GetNotJudged() == "" {
			t.Errorf("a chip behind a device that is away: %v", h.GetChips()[0])
		}
	}
	device.Connected, device.For = true, 0
	for range 5 { // programs are brought to it
		if h := run(1, "the bus is lost"); ids(h) != "" {
			t.Fatalf("back again: %q", ids(h))
		}
	}
	if h := run(10, ""); ids(h) != "" {
		t.Errorf("afterwards: %q", ids(h))
	}
	device.For = time.Minute
	if h := run(5, "host stall"); ids(h) != "array/failed" {
		t.Errorf("jobs that fail with a device that is there: %q", ids(h))
	}
	device.Losses++ // between two reports it was lost, and found again
	device.For = 0
	if h := run(0, ""); ids(h) != "" {
		t.Errorf("lost for a moment: %q", ids(h))
	}
}

// TestAPoorLink: a link that loses messages is told with how many, alone also where jobs fail for it, until it is much
// better for a while; few faults are nothing.
func TestAPoorLink(t *testing.T) {
	m := bench()
	now := int64(0)
	device := &Device{Address: "udp:x", Connected: true, For: time.Hour}
	after := func(seconds int, faults uint64, failure string) *facetdv1.Health {
		c := conditions(m, now)
		for range seconds {
			now += 1e9
			for _, name := range []string{"t-m0", "t-m1"} {
				for i := range int64(10) {
					m.JobEnded(&facetdv1.FrameSet{Task: name, FinishBusNs: now - 1e9 + i*1e8, Failure: failure})
				}
			}
			device.Messages, device.LinkFaults = device.Messages+1000, device.LinkFaults+faults
			c = conditions(m, now)
			c.Device = device
			m.Report(c)
		}
		return m.Report(c)
	}
	if h := after(100, 5, ""); ids(h) != "" || h.GetDevice().GetRecentLinkFaults() != 300 ||
		h.GetDevice().GetRecentMessages() != 60000 {
		t.Errorf("half a percent: %q, %v", ids(h), h.GetDevice())
	}
	// From 5 in a second to 20: in the 21st second there are more than 600 in the last minute.
	const poorFrom = 121e9
	h := after(100, 20, "")
	if ids(h) != "device/link" || h.GetState() != facetdv1.HealthState_HEALTH_STATE_DEGRADED {
		t.Fatalf("two percent: %q", ids(h))
	}
	if f := h.GetFindings()[0]; f.GetMeasured() != 0.02 || f.GetSinceBusNs() != poorFrom || f.GetName() != "udp:x" {
		t.Errorf("two percent: %v", f)
	}
	if h := after(10, 20, "refused"); ids(h) != "device/link" ||
		h.GetState() != facetdv1.HealthState_HEALTH_STATE_BAD || h.GetFindings()[0].GetSinceBusNs() != poorFrom ||
		h.GetFindings()[0].GetBasis() != facetdv1.HealthBasis_HEALTH_BASIS_INFERRED {
		t.Errorf("with jobs that fail: %q, %v", ids(h), h.GetFindings())
	}
	if h := after(100, 8, ""); ids(h) != "device/link" {
		t.Errorf("a little better: %q", ids(h))
	}
	if h := after(100, 1, ""); ids(h) != "" {
		t.Errorf("good again: %q", ids(h))
	}
}

// TestTheClockOfADevice: one that may be off by much, or that drifts, is told; what is not known of it is not.
func TestTheClockOfADevice(t *testing.T) {
	for _, c := range []struct {
		is    Device
		want  string
		basis float64
	}{
		{Device{}, "", 0},
		{Device{ClockOff: 4 * time.Millisecond, Drift: 199, Followed: true}, "", 0},
		{Device{ClockOff: 6 * time.Millisecond}, "device/clock", 0.006},
		{Device{ClockOff: time.Microsecond, Drift: -300, Followed: true}, "device/clock", 0.0003},
		{Device{ClockOff: time.Microsecond, Drift: -300}, "", 0},
	} {
		c.is.Connected, c.is.For = true, time.Hour
		m := bench()
		with := conditions(m, 5e9)
		with.Device = &c.is
		h := m.Report(with)
		if ids(h) != c.want || c.want != "" && h.GetFindings()[0].GetMeasured() != c.basis {
			t.Errorf("%+v: %q, %v", c.is, ids(h), h.GetFindings())
		}
		if (h.GetDevice().ClockUncertaintyNs != nil) != (c.is.ClockOff > 0) ||
			(h.GetDevice().ClockDriftPpm != nil) != c.is.Followed {
			t.Errorf("%+v is told as %v", c.is, h.GetDevice())
		}
	}
}
