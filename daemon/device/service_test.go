package device

import (
	"errors"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bridge"
	"facetd.example/daemon/failure"
)

// TestGetDevice: what is known of a device is told in the schema's units, and what is not known is left out.
func TestGetDevice(t *testing.T) {
	if _, err := New(Config{}).GetDevice(t.Context(), &facetdv1.GetDeviceRequest{}); !failure.IsPrecondition(err,
		failure.NoDevice) {
		t.Errorf("without a device: %v", err)
	}
	is := bridge.Status{Address: "unix:x", Build: "host", Boot: 0xabc, Major: 2, Minor: 7, LeastSlack: bus.NoSlack,
		Limits: bus.Limits{Grain: 40, LeastLead: time.Millisecond, Lease: time.Second}, Ready: time.Microsecond,
		Counters: bridge.Counters{Runs: 5, Underruns: 3}}
	get := func() *facetdv1.DeviceStatus {
		t.Helper()
		r, err := New(Config{Status: func() bridge.Status { return is }}).GetDevice(t.Context(),
			&facetdv1.GetDeviceRequest{})
		if err != nil {
			t.Fatal(err)
		}
		return r.GetDevice()
	}
	d := get()
	if d.GetBoot() != "00000abc" || d.GetProtocol() != "2.7" || d.GetLimits().GetLeadNs() != 1e6 ||
		d.GetLimits().GetReadyNs() != 1000 || d.GetCounters().GetUnderruns() != 3 || d.GetLastLoss() != "" {
		t.Errorf("%v", d)
	}
	if d.LeastSlackNs != nil || d.Clock != nil {
		t.Errorf("what is not known is told: %v", d)
	}
	is.Clock.Uncertainty = 5
	if d := get(); d.GetClock().GetUncertaintyNs() != 5 || d.GetClock().DriftPpm != nil {
		t.Errorf("of a clock that was not followed for long: %v", d)
	}
	is.LeastSlack, is.Clock.Followed, is.Clock.DriftPPM, is.LastLoss = -3, true, 1.5, errors.New("cut")
	if d := get(); d.GetLeastSlackNs() != -3 || d.GetClock().GetDriftPpm() != 1.5 || d.GetLastLoss() != "cut" {
		t.Errorf("%v", d)
	}
}
