package bridge

import (
	"errors"
	"strings"
	"syscall"
	"testing"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
)

// TestHazards: while its stop input is active, or a supply is outside its limits, a device makes every line inactive,
// says why, and cannot be configured; afterwards it can, and runs as before.
func TestHazards(t *testing.T) {
	for why, signal := range map[uint8]syscall.Signal{wire.SafeStop: syscall.SIGUSR1, wire.SafeLimit: syscall.SIGUSR2} {
		t.Run(safeCauses[why], func(t *testing.T) {
			t.Parallel()
			r, ctx := start(t, bridgetest.Config{}), within(t)
			p := long(r.array)
			if err := r.Prepare(ctx, []*bus.Program{p}); err != nil {
				t.Fatal(err)
			}
			begins := r.soon()
			r.submit(t, p, 3, begins)
			if err := r.WaitUntil(ctx, begins.Add(100*time.Millisecond)); err != nil {
				t.Fatal(err)
			}
			if err := r.Process.Signal(signal); err != nil {
				t.Fatal(err)
			}
			var safe *SafeError
			if err := lostIs(t, r); !errors.As(err, &safe) || safe.Why != why {
				t.Errorf("lost: %v", err)
			}
			for range 3 {
				if res, err := r.Next(ctx); err != nil || res.Err == nil {
					t.Errorf("%v, %+v", err, res)
				}
			}
			inactive := func() bool {
				pins := r.Pins(begins, bus.Time(1)<<60)
				return len(pins) > 0 && pins[len(pins)-1].Kind == bustest.PinLines && pins[len(pins)-1].Value == 0
			}
			for began := time.Now(); !inactive(); time.Sleep(time.Millisecond) { // until the chips have heard of it
				if time.Since(began) > 20*time.Second {
					t.Fatalf("at the pins: %+v", r.Pins(begins, bus.Time(1)<<60))
				}
			}
			if err := r.Prepare(ctx, []*bus.Program{p}); err == nil || !strings.Contains(err.Error(), "stop input") {
				t.Errorf("configured all the same: %v", err)
			}
			if err := r.Process.Signal(signal); err != nil {
				t.Fatal(err)
			}
			again(t, ctx, r, p)
			short := programsOnly(t, ctx, r)
			r.submit(t, short, 1, r.soon())
			if res, err := r.Next(ctx); err != nil || res.Err != nil {
				t.Errorf("afterwards: %v, %v", err, res.Err)
			}
		})
	}
}

// TestVersions: every pair of three versions of the protocol. Another major version is refused by either side, a newer
// minor one runs, and one that lacks what is needed is refused; the message names the device, both versions and what is
// missing.
func TestVersions(t *testing.T) {
	versions := []Version{{1, 1}, {1, 2}, {2, 1}}
	for _, device := range versions {
		r := bridgetest.Start(t, bridgetest.Config{Array: bustest.MustLinearArray(), Scene: light(t),
			Protocol: 100*int(device.Major) + int(device.Minor)})
		waitForLink(t, r.Address)
		for _, as := range versions {
			h := ownProcess()
			h.version = as
			for needs := range as.Minor + 1 {
				h.needs = needs
				s, err := greet(t.Context(), r.Address, h)
				fits := device.Major == as.Major && device.Minor >= needs
				var wrong *VersionError
				switch {
				case err == nil:
					s.close()
					if !fits {
						t.Errorf("a device of version %v suits host %v, which needs %d", device, as, needs)
					}
				case fits || !errors.As(err, &wrong):
					t.Errorf("device %v, host %v, which needs %d: %v", device, as, needs, err)
				default:
					need := Version{as.Major, needs}
					for _, part := range []string{r.Address, device.String(), need.String(), "install the firmware"} {
						if !strings.Contains(err.Error(), part) {
							t.Errorf("%q is not in: %v", part, err)
						}
					}
				}
			}
		}
	}
}
