package bridge

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/chips"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// marksOf are the times of the marks of a trace.
func marksOf(pins []bustest.Pin) (out []bus.Time) {
	for _, p := range pins {
		if p.Kind == bustest.PinMark {
			out = append(out, p.At)
		}
	}
	return out
}

// unlike says in what marks differ from the lights of frames, of which several may have the same.
func unlike(marks, lights []bus.Time) string {
	lights = slices.Clone(lights)
	slices.Sort(lights)
	if lights = slices.Compact(lights); !slices.Equal(marks, lights) {
		return fmt.Sprintf("marks at %v, and frames have their light at %v", marks, lights)
	}
	return ""
}

// synchronized has the array of bustest with a mark and two inputs, on pins that nothing else has.
func synchronized(t testing.TB, seed uint64) *chipmodel.Array {
	t.Helper()
	rng := shuffles(seed)
	return wired(t, rng, func(d *facetdv1.Device) {
		used := map[string]bool{}
		for _, pins := range [][]string{d.Selects, d.Registers.Number, d.Registers.Value, d.Address.Row,
			d.Address.Column, {d.Registers.Write, d.Clock, d.Strobes.Load, d.Strobes.Share, d.Strobes.Reset_,
				d.Strobes.Advance, d.Strobes.Expose}} {
			for _, p := range pins {
				used[p] = true
			}
		}
		var free []string
		for p := range chipmodel.Pin(4 * 32) {
			if !used[p.String()] {
				free = append(free, p.String())
			}
		}
		d.Mark = &facetdv1.DeviceMark{Pin: free[0], Tasks: []string{"t"},
			Width: durationpb.New(time.Duration(1+rng.IntN(200)) * time.Microsecond)}
		d.Inputs = []*facetdv1.DeviceInput{{Name: "wheel", Pin: free[1]},
			{Name: "both", Pin: free[2], Edge: facetdv1.Edge_EDGE_BOTH},
			{Name: "falling", Pin: free[3], Edge: facetdv1.Edge_EDGE_FALLING}}
	})
}

// TestMarks: the mark becomes active at the light time of every frame of runs that are marked, to the tick, and at no
// other time; what else happens at the pins stays as it was. So it is on a process, on several grains, and on an
// emulated board.
func TestMarks(t *testing.T) {
	for _, cfg := range []bridgetest.Config{{Tick: 1}, {Tick: 125}, {Emulated: true}} {
		t.Run(fmt.Sprintf("tick %d emulated %v", cfg.Tick, cfg.Emulated), func(t *testing.T) {
			t.Parallel()
			seed := rand.Uint64N(1_000_000)
			cfg.Array = synchronized(t, seed)
			r, said := conform(t, func() *rig { return start(t, cfg) })
			if said != "" {
				t.Errorf("seed %d: %s", seed, said)
			}
			if n := len(marksOf(r.Pins(0, r.Now()))); n < 8 {
				t.Errorf("seed %d: %d marks", seed, n)
			}
		})
	}
}

// TestALateMarkIsCaught: firmware that marks light too late does not conform.
func TestALateMarkIsCaught(t *testing.T) {
	t.Parallel()
	_, said := conform(t, func() *rig {
		return start(t, bridgetest.Config{Array: synchronized(t, 1), Mutant: bridgetest.Mark})
	})
	if said == "" {
		t.Error("it was not noticed")
	}
}

// TestEdges: edges that come to the inputs are told with the bus time at which they were measured, those that are
// wanted, once and in order.
func TestEdges(t *testing.T) {
	for _, emulated := range []bool{false, true} {
		t.Run(fmt.Sprintf("emulated %v", emulated), func(t *testing.T) {
			t.Parallel()
			a := synchronized(t, 1)
			every, width := []time.Duration{4_000_000, 10_000_000, 7_000_000}, 40*time.Microsecond
			cfg := bridgetest.Config{Array: a, Emulated: emulated}
			for i := range a.Device.Inputs {
				cfg.Pulses = append(cfg.Pulses, chips.Pulse{Input: a.Device.Inputs[i].Pin, Every: every[i],
					Width: width})
			}
			r := start(t, cfg)
			var mu sync.Mutex
			seen := make([][]bus.Edge, len(every))
			enough, once := make(chan struct{}), sync.Once{}
			r.OnEdge(func(e bus.Edge) {
				mu.Lock()
				defer mu.Unlock()
				seen[e.Input] = append(seen[e.Input], e)
				for _, edges := range seen {
					if len(edges) < 20 {
						return
					}
				}
				once.Do(func() { close(enough) })
			})
			<-enough
			mu.Lock()
			defer mu.Unlock()
			for i, edges := range seen {
				device := r.clock.toBus(0) // the device's clock, by which the pulses come, began then
				for k, e := range edges {
					since := e.At.Sub(device) % every[i]
					wanted := since == 0 && e.High || since == width && !e.High
					if !wanted || !a.Device.Inputs[i].Told(e.High) || e.Missed != 0 {
						t.Errorf("input %d, edge %d: %+v, %v after a pulse", i, k, e, since)
					}
					if apart := every[i]; k > 0 && a.Device.Inputs[i].Rising != a.Device.Inputs[i].Falling &&
						e.At.Sub(edges[k-1].At) != apart {
						t.Errorf("input %d, edge %d: %v after the one before", i, k, e.At.Sub(edges[k-1].At))
					}
				}
			}
		})
	}
}

// TestWrongSync: pins for the rest of a robot that serve already, or came otherwise than they were sent, are refused.
func TestWrongSync(t *testing.T) {
	t.Parallel()
	a := synchronized(t, 2)
	r := bridgetest.Start(t, bridgetest.Config{Array: a, Scene: light(t)})
	pins, _ := seal(pinsOf(a.Device))
	good, _ := syncOf(a)
	var sent wire.Sync
	if _, err := wire.Take(good, &sent); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		change func(m *wire.Sync)
		why    uint32
	}{
		"good":                   {func(*wire.Sync) {}, 0},
		"spoiled":                {nil, wire.PinsDigest},
		"a mark that serves":     {func(m *wire.Sync) { m.Mark = uint8(a.Device.Clock) }, wire.PinsTwice},
		"a mark of no width":     {func(m *wire.Sync) { m.Width = 0 }, wire.PinsTwice},
		"an input that serves":   {func(m *wire.Sync) { m.Inputs[1] = uint8(a.Device.Selects[0]) }, wire.PinsTwice},
		"an input twice":         {func(m *wire.Sync) { m.Inputs[2] = m.Inputs[0] }, wire.PinsTwice},
		"an input that is marks": {func(m *wire.Sync) { m.Inputs[3] = m.Mark }, wire.PinsTwice},
	} {
		s := dial(t, r.Address).session
		m, payload := sent, append([]byte(nil), good...)
		if c.change != nil {
			c.change(&m)
			payload, _ = seal(m)
		} else {
			payload[7]++
		}
		if early, err := s.ask(wire.TypeSync, payload); err != nil || early.Code != wire.ReplyPins {
			t.Errorf("%s, before the pins: %+v, %v", name, early, err)
		}
		if _, err := s.ask(wire.TypePins, pins); err != nil {
			t.Fatal(err)
		}
		said, err := s.ask(wire.TypeSync, payload)
		if err != nil || c.why == 0 && said.Code != wire.ReplyOK ||
			c.why != 0 && (said.Code != wire.ReplyPins || said.Detail != c.why) {
			t.Errorf("%s: %+v, %v", name, said, err)
		}
		s.close()
	}
}

// TestMissedEdges: what a device has missed adds up over its sessions, more in the second than in the first, too; an
// edge that cannot have come yet, or at an input that is not there, is the device's error.
func TestMissedEdges(t *testing.T) {
	t.Parallel()
	b := start(t, bridgetest.Config{Array: synchronized(t, 1)}).Bus
	var last bus.Edge
	b.OnEdge(func(e bus.Edge) { last = e })
	tell := func(m wire.Edge) error {
		b.mu.Lock()
		defer b.mu.Unlock()
		tell, err := b.takeEdge(wire.Append(nil, m))
		if err == nil && tell != nil {
			tell()
		}
		return err
	}
	now := b.clock.toDevice(b.Now())
	again := func() {
		b.session.fail(errors.New("as if it were lost"))
		<-b.Lost()
		if err := b.Prepare(t.Context(), programs(b.array)); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		again  bool
		told   uint32
		missed uint64
	}{{false, 2, 2}, {true, 3, 5}, {false, 4, 6}, {true, 0, 6}, {true, 1, 7}} {
		if c.again {
			again()
		}
		if err := tell(wire.Edge{Input: 1, Level: 1, Missed: c.told, At: now}); err != nil || last.Missed != c.missed ||
			last.Input != 1 || !last.High {
			t.Errorf("%+v: %+v, %v", c, last, err)
		}
	}
	count := func(m wire.Missed) error {
		b.mu.Lock()
		defer b.mu.Unlock()
		tell, err := b.takeMissed(wire.Append(nil, m))
		if err == nil && tell != nil {
			tell()
		}
		return err
	}
	if err := count(wire.Missed{Input: 1, Missed: 4}); err != nil || !last.Count || last.Missed != 10 {
		t.Errorf("a count alone: %+v, %v", last, err)
	}
	if err := count(wire.Missed{Input: 3}); err == nil {
		t.Error("a count of an input that is not there is taken")
	}
	for _, c := range []struct {
		told   uint32
		missed uint64
	}{{1 << 31, 6 + 1<<31}, {math.MaxUint32, 6 + math.MaxUint32}, {3, 6 + 1<<32 + 3}} { // its count begins again at 0
		if err := count(wire.Missed{Input: 1, Missed: c.told}); err != nil || last.Missed != c.missed {
			t.Errorf("%+v: %+v, %v", c, last, err)
		}
	}
	b.OnEdge(nil) // what comes before anybody wants it is missed as well
	if err := tell(wire.Edge{Input: 1, Missed: 4, At: now}); err != nil {
		t.Error(err)
	}
	b.OnEdge(func(e bus.Edge) { last = e })
	if err := tell(wire.Edge{Input: 1, Missed: 4, At: now}); err != nil || last.Missed != 6+1<<32+4+1 || last.Count {
		t.Errorf("behind one that nobody wanted: %+v, %v", last, err)
	}
	for _, m := range []wire.Edge{{Input: 3}, {Input: 255}, {At: now + b.clock.ticksOf(time.Minute)}} {
		if err := tell(m); err == nil {
			t.Errorf("%+v is taken", m)
		}
	}
}
