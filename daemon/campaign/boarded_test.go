package campaign

import (
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/bus/bridge"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/chips"
	"facetd.example/bus/bridge/linetest"
	"facetd.example/bus/bustest"
	"facetd.example/bus/rules"
)

// boardLead is more than what the driver finds for its lead: what the firmware needs, four round trips, and what is
// allowed for messages that have to be sent again.
const boardLead = 100 * time.Millisecond

// boardQueue is how many runs the firmware for steps takes: enough for what is that far ahead.
const boardQueue = 512

// randomBoard is what a board is like, as the executor in whose place it is.
func randomBoard(r *rand.Rand) *bustest.RemoteConfig {
	c := &bustest.RemoteConfig{Latency: time.Duration(50+r.IntN(1500))*time.Microsecond + 13, Seed: r.Uint64()}
	c.Limits = bus.Limits{Grain: []time.Duration{1, 100, 1000}[r.IntN(3)], Queue: boardQueue, LeastLead: boardLead,
		Lease: time.Duration(60+r.IntN(90)) * time.Millisecond}
	return c
}

// settlingOfBoard is how much longer it takes a board than the executor until nothing adds to a lag: what was lost last
// is sent again half a second later, a host that has lost its session says hello and configures anew, and then brings
// every program, each with a round trip.
func settlingOfBoard(programs int) time.Duration {
	return 2*time.Second + time.Duration(programs)*5*time.Millisecond
}

// connectDevice connects to the firmware, which begins anew now.
func (l *life) connectDevice() (*rules.Inspector, error) {
	s := l.s
	faults, reboots := l.linkFaults()
	l.line = linetest.New(linetest.Config{Device: s.device, Latency: s.remote.Latency, Seed: s.remote.Seed,
		Faults: faults})
	l.line.Reboot()
	for _, at := range reboots {
		time.AfterFunc(at, l.line.Reboot)
	}
	d, err := bridge.Dialer{Link: l.line.Dial}.Dial(context.Background(), "steps:")
	if err == nil {
		var b *bridge.Bus
		if b, err = bridge.New(context.Background(), bridge.Config{Device: d, Array: s.array,
			Lease: s.remote.Limits.Lease}); err == nil {
			l.driven = &driven{BusCloser: b, faulty: l.bus, ledger: l.ledger, remote: true}
			return b.Inspector(), nil
		}
	}
	l.line.Close()
	return nil, err
}

// onBoard runs a scenario on the firmware of the bridge.
func (s *scenario) onBoard(t *testing.T, faults []fault) *outcome {
	c := *s
	c.device = bridgetest.StartSteps(t, chips.Config{Array: s.array, Lamp: chips.NewLamp(s.light()),
		Seed: s.seed, Ideal: true}, s.remote.Limits.Grain)
	o := c.run(t, faults)
	if err := c.device.Close(); err != nil {
		o.problem("the firmware: %v", err)
	}
	return o
}

// TestOnABoard runs seeds of the campaign through the driver and the firmware of the bridge, in virtual time, over a
// link that loses, doubles, delays and cuts, and with boards that begin anew: every job is accounted for, no frame
// holds other codes than a clean bus gives, and once the faults have ended every task runs at its rate.
func TestOnABoard(t *testing.T) {
	first := uint64(1)
	if !peertest.All() {
		first = peertest.Seed(t) % 1_000_000
	}
	struck, jobs := map[string]int{}, 0
	if os.Getenv(seedsVariable) != "" {
		first, _ = seeds(t)
	}
	for seed := first; seed < first+uint64(peertest.Cases(2, 50)); seed++ {
		s := drawScenario(seed, true)
		o := s.onBoard(t, chosenFaults(t, s))
		for _, l := range o.lives {
			for _, x := range l.bus.struckSoFar() {
				struck[x.fault.kind.String()]++
			}
		}
		jobs += o.jobs
		if o.failed() {
			t.Errorf("seed %d: %s\nfaults %v", seed, strings.Join(o.problems, "; "), o.faults)
		}
	}
	t.Logf("%d jobs, faults that struck: %v", jobs, struck)
	if peertest.All() && (struck["link-loses"] == 0 || struck["link-cut"] == 0 || struck["reboot"] == 0 ||
		struck["link-delays"] == 0 || struck["link-doubles"] == 0) {
		t.Error(errors.New("some faults never struck"))
	}
}
