package server

import (
	"slices"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/config"
)

// observed is the demo's array in lockstep, with its health.
type observed struct {
	t      *testing.T
	me     partner
	health facetdv1.HealthServiceClient
	faults facetdv1.FaultServiceClient
	at     time.Duration
}

func observe(t *testing.T, change func(*Setup)) *observed {
	t.Helper()
	c := quick()
	c.Pace, c.Scene = config.Lockstep, config.DefaultScene
	change(&c)
	conn, _ := running(t, c)
	return &observed{t: t, me: join(t, conn, "me"), health: facetdv1.NewHealthServiceClient(conn),
		faults: facetdv1.NewFaultServiceClient(conn)}
}

// after lets bus time on, in steps within which every frame that is due has been looked at, and returns the health.
func (o *observed) after(d time.Duration) *facetdv1.Health {
	o.t.Helper()
	const step = 20 * time.Millisecond // a period of the fastest task
	var h *facetdv1.Health
	for until := o.at + d; o.at < until; {
		o.at = min(o.at+step, until)
		o.me.advance(o.at)
		r, err := o.health.GetHealth(limited(o.t), &facetdv1.GetHealthRequest{})
		if err != nil {
			o.t.Fatal(err)
		}
		h = r.GetHealth()
	}
	return h
}

func (o *observed) inject(faults ...*facetdv1.Fault) {
	o.t.Helper()
	if _, err := o.faults.SetFaults(limited(o.t), &facetdv1.SetFaultsRequest{Faults: faults}); err != nil {
		o.t.Fatal(err)
	}
}

func TestHealthOfPlantedFaults(t *testing.T) {
	t.Parallel()
	o := observe(t, func(*Setup) {})
	h := o.after(3 * time.Second)
	if len(h.GetFindings()) > 0 || h.GetState() != facetdv1.HealthState_HEALTH_STATE_GOOD {
		t.Fatalf("fault-free: %v", h)
	}
	for _, c := range h.GetChips() {
		t.Logf("%v", c)
	}
	for _, tc := range []struct {
		fault  *facetdv1.Fault
		id     string
		chips  int
		action string
	}{
		{&facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: "wall-03"}, "chip/wall-03/undriven", 1,
			"facetctl probe"},
		{&facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED, Lane: "b"}, "lane/b/saturated", 0,
			"converter"},
		{&facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_LANE_OPEN, Lane: "a"}, "lane/a/undriven", 0, "connector"},
		{&facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_INACTIVE, Line: "fb"}, "line/fb/undriven", 0,
			"probe"},
	} {
		o.inject(tc.fault)
		h := o.after(2*time.Second + 300*time.Millisecond) // three periods of the slowest task
		if len(h.GetFindings()) != 1 || h.GetFindings()[0].GetId() != tc.id ||
			!strings.Contains(h.GetFindings()[0].GetAction(), tc.action) {
			t.Errorf("%v: found %v", tc.fault, h.GetFindings())
		}
		t.Log(h.GetSummary())
		if tc.chips > 0 && len(h.GetFindings()) > 0 && len(h.GetFindings()[0].GetChips()) != tc.chips {
			t.Errorf("%v: chips %v", tc.fault, h.GetFindings()[0].GetChips())
		}
		if i := slices.IndexFunc(h.GetChips(),
			func(c *facetdv1.ChipHealth) bool { return c.GetChip() == h.GetWorstChip() }); i < 0 {
			t.Errorf("%v: the worst chip is %q", tc.fault, h.GetWorstChip())
		}
		o.inject()
		if h := o.after(6 * time.Second); len(h.GetFindings()) > 0 {
			t.Errorf("%v cleared: %v", tc.fault, h.GetFindings())
		}
	}
}
