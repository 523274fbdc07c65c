package server

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel/chiptest"
	"facetd.example/daemon/config"
)

// observed is the demo's array in lockstep, with its health.
type observed struct {
	t       *testing.T
	me      partner
	health  facetdv1.HealthServiceClient
	faults  facetdv1.FaultServiceClient
	events  facetdv1.EventServiceClient
	last    uint64 // event that was read
	journal string
	at      time.Duration
}

func observe(t *testing.T, change func(*Setup)) *observed {
	t.Helper()
	c := quick()
	c.Pace, c.Scene = config.Lockstep, config.DefaultScene
	change(&c)
	conn, _ := running(t, c)
	return &observed{t: t, me: join(t, conn, "me"), health: facetdv1.NewHealthServiceClient(conn),
		faults: facetdv1.NewFaultServiceClient(conn), events: facetdv1.NewEventServiceClient(conn)}
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

// found is what is found, in short.
func found(h *facetdv1.Health) string {
	var ids []string
	for _, f := range h.GetFindings() {
		ids = append(ids, f.GetId())
	}
	return strings.Join(ids, " ")
}

// told are the events about health since the last call.
func (o *observed) told() (texts []string) {
	o.t.Helper()
	r, err := o.events.ListEvents(limited(o.t),
		&facetdv1.ListEventsRequest{AfterSequence: &o.last, JournalId: o.journal,
			PageSize: 1000,
			Filter:   &facetdv1.EventFilter{Kinds: []facetdv1.EventKind{facetdv1.EventKind_EVENT_KIND_HEALTH}}})
	if err != nil {
		o.t.Fatal(err)
	}
	o.last, o.journal = r.GetLastSequence(), r.GetJournalId()
	for _, e := range r.GetEvents() {
		texts = append(texts, e.GetText())
	}
	return texts
}

// soon is within how long a fault is named: three periods of the demo's slowest task, and two seconds.
const soon = 2*time.Second + 300*time.Millisecond

// TestHealthOfPlantedFaults: the chip or the common cause is named in time, with what to do, and nothing else; when the
// fault is gone the finding goes.
func TestHealthOfPlantedFaults(t *testing.T) {
	t.Parallel()
	o := observe(t, func(*Setup) {})
	if h := o.after(time.Second); found(h) != "" || h.GetState() != facetdv1.HealthState_HEALTH_STATE_GOOD {
		t.Fatalf("fault-free: %v", h)
	}
	for _, tc := range []struct {
		fault      *facetdv1.Fault
		id, action string
		chips      []string // the first of them, and how many
		n          int
	}{
		{&facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: "wall-03"}, "chip/wall-03/undriven",
			"facetctl probe", []string{"wall-03"}, 1},
		{&facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED, Lane: "b"}, "lane/b/saturated",
			"reference", []string{"wall-01"}, 9},
		{&facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_LANE_OPEN, Lane: "a"}, "lane/a/undriven", "connector",
			[]string{"wall-00"}, 10},
		{&facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_INACTIVE, Line: "fb"}, "line/fb/undriven",
			"driver", []string{"bed-0"}, 4},
	} {
		o.inject(tc.fault)
		h := o.after(soon)
		if found(h) != tc.id {
			t.Fatalf("%v: found %q, want %q", tc.fault, found(h), tc.id)
		}
		f := h.GetFindings()[0]
		if !strings.Contains(f.GetAction(), tc.action) || f.GetCause() == "" || f.GetConsequence() == "" ||
			len(f.GetChips()) != tc.n || f.GetChips()[0] != tc.chips[0] || h.GetWorstChip() != tc.chips[0] {
			t.Errorf("%v: found %v; worst %s", tc.fault, f, h.GetWorstChip())
		}
		o.inject()
		for range 20 {
			if h = o.after(200 * time.Millisecond); found(h) == "" {
				break
			}
		}
		if found(h) != "" {
			t.Errorf("%v cleared: still %s", tc.fault, found(h))
		}
		// One cause is one finding: the journal has when it came and when it went, and nothing else.
		if told := o.told(); len(told) != 2 || !strings.Contains(told[1], "no longer so") {
			t.Errorf("%v: the journal has %q", tc.fault, told)
		}
	}
}

// TestHealthOfHotPixels: a field of stuck pixels is named, and those of another chip are not.
func TestHealthOfHotPixels(t *testing.T) {
	t.Parallel()
	o := observe(t, func(c *Setup) {
		for r := 8; r < 20; r += 2 {
			for col := 10; col < 22; col += 3 {
				c.Defects = append(c.Defects, fmt.Sprintf("bed-2:%d,%d=stuck@2.1", r, col))
			}
		}
	})
	h := o.after(soon)
	if found(h) != "chip/bed-2/hot-pixels" {
		t.Fatalf("found %q: %v", found(h), h.GetFindings())
	}
	if f := h.GetFindings()[0]; f.GetMeasured() < 12 || f.GetMeasured() > 24 ||
		f.GetState() != facetdv1.HealthState_HEALTH_STATE_DEGRADED {
		t.Errorf("of 24 pixels: %v", f)
	}
}

// mostAtOnce is how many frames of a chip are looked at before their turn.
const mostAtOnce = 32

// lightsOf are scenes in which nothing is wrong: moving and at rest, dim, even and dark.
var lightsOf = []string{config.DefaultScene, "uniform:200", "uniform:0.05", "uniform:3000", "uniform:0",
	"grating:mean=100,contrast=0.9,cycles_per_pixel=0.13,orientation=30,drift=3",
	"demo:low=0.01,high=2,yaw_swing=20,yaw_swing_hz=0.5", "uniform:1 then 2s uniform:400 then 4s uniform:5"}

// TestHealthOfFaultFreeArrays: on arrays of random chips, in random light, nothing is found.
func TestHealthOfFaultFreeArrays(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	draw := rand.New(rand.NewPCG(seed, 0))
	for range peertest.Cases(3, 100) {
		msg := bustest.Message()
		msg.Groups = nil
		msg.Classes, msg.Chips = nil, nil
		for i := range 5 {
			class := chiptest.Class(draw.IntN(chiptest.Combinations))
			class.Name = fmt.Sprint("class-", i)
			class.Lattice.Rows, class.Lattice.Columns = 8+uint32(draw.IntN(12)), 8+uint32(draw.IntN(12))
			msg.Classes = append(msg.Classes, class)
			msg.Chips = append(msg.Chips, &facetdv1.Chip{Name: fmt.Sprint("chip-", i), Class: class.Name,
				Selects: []string{[]string{"f", "g"}[i/3], fmt.Sprint("x", i%3)}, Lane: []string{"a", "b"}[i%2],
				Mount: &facetdv1.Mount{YawDeg: float64(72 * i)}})
		}
		scene := lightsOf[draw.IntN(len(lightsOf))]
		o := observe(t, func(c *Setup) {
			c.Array, c.Tasks, c.Scene, c.Seed = "array.yaml", "tasks.yaml", scene, draw.Uint64()
			c.ReadFile = func(name string) ([]byte, error) {
				if name == "array.yaml" {
					return protojson.Marshal(msg)
				}
				text := "tasks:\n"
				for i := range msg.GetChips() {
					text += fmt.Sprintf("- {name: t%d, target: {list: {names: [chip-%d]}}, rate_hz: 5,\n   views: "+
						"[{name: v}]}\n",
						i, i)
				}
				return []byte(text), nil
			}
		})
		h := o.after(peertest.Cases(8*time.Second, 30*time.Second))
		for _, f := range h.GetFindings() {
			if f.GetKind() == facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_CLIPPED ||
				f.GetKind() == facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_SATURATED {
				continue // there may be too much light
			}
			t.Errorf("scene %s: %v\n%v", scene, f, msg)
		}
		if h.GetSamples() < 5*7 || h.GetSamples() > 5*2*uint64(o.at.Seconds()+mostAtOnce) {
			t.Errorf("%d frames were looked at in %v", h.GetSamples(), o.at)
		}
	}
}

// TestHealthOfTheDemo: nothing is found on the demo as it drives through its culvert for long.
func TestHealthOfTheDemo(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	o := observe(t, func(c *Setup) { c.Seed = seed })
	for until := peertest.Cases(3*time.Second, 10*time.Minute); o.at < until; {
		if h := o.after(time.Second); found(h) != "" {
			t.Fatalf("after %v: %v", o.at, h.GetFindings())
		}
	}
}
