package bridge

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// wired is the array of bustest behind pins that a generator of random numbers picks among those of four ports.
func wired(t testing.TB, rng *rand.Rand, change func(d *facetdv1.Device)) *chipmodel.Array {
	t.Helper()
	msg := bustest.LinearMessage()
	free := rng.Perm(4 * 32)
	pins := func(n int) []string {
		var out []string
		for _, p := range free[:n] {
			out = append(out, chipmodel.Pin(p).String())
		}
		free = free[n:]
		return out
	}
	d := &facetdv1.Device{Board: "shuffled", Selects: pins(len(msg.GetSelectLines())),
		Registers: &facetdv1.RegisterPins{Number: pins(chipmodel.NumberPins), Value: pins(chipmodel.ValuePins),
			Write: pins(1)[0]},
		Address: &facetdv1.AddressPins{Row: pins(chipmodel.AddressPins), Column: pins(chipmodel.AddressPins)},
		Clock:   pins(1)[0]}
	s := pins(5)
	d.Strobes = &facetdv1.StrobePins{Load: s[0], Share: s[1], Reset_: s[2], Advance: s[3], Expose: s[4]}
	for i, converter := range rng.Perm(wire.MaxLanes)[:len(msg.GetLanes())] {
		d.Lanes = append(d.Lanes, &facetdv1.LaneConverter{Lane: msg.GetLanes()[i].GetName(),
			Converter: uint32(converter)})
	}
	if change != nil {
		change(d)
	}
	msg.Device = d
	a, wrong := chipmodel.New(msg)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	return a
}

// shuffles are of one seed for what is uploaded and what is wired, so that they agree.
func shuffles(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 1)) }

// TestPins: an array behind any pins and converters is driven as one that is wired line by line, on a process and on an
// emulated board: captures are the same byte for byte, and the array gets what was planned, to the tick.
func TestPins(t *testing.T) {
	for _, emulated := range []bool{false, true} {
		t.Run(fmt.Sprintf("emulated %v", emulated), func(t *testing.T) {
			t.Parallel()
			seed := rand.Uint64N(1_000_000)
			a := wired(t, shuffles(seed), nil)
			_, said := conform(t, func() *rig { return start(t, bridgetest.Config{Array: a, Emulated: emulated}) })
			if said != "" {
				t.Errorf("seed %d: %s", seed, said)
			}
		})
	}
}

// TestWrongWires: where the wires are others than the array file says, that is seen: the pins that were uploaded are
// those that are driven. An ordinary run tries some.
func TestWrongWires(t *testing.T) {
	const seed = 1
	left := peertest.Cases(3, 8)
	file := wired(t, shuffles(seed), nil)
	for name, swap := range map[string]func(d *facetdv1.Device){
		"selects": func(d *facetdv1.Device) { d.Selects[0], d.Selects[1] = d.Selects[1], d.Selects[0] },
		"strobes": func(d *facetdv1.Device) { d.Strobes.Load, d.Strobes.Share = d.Strobes.Share, d.Strobes.Load },
		"numbers": func(d *facetdv1.Device) { p := d.Registers.Number; p[0], p[1] = p[1], p[0] },
		"values":  func(d *facetdv1.Device) { p := d.Registers.Value; p[0], p[1] = p[1], p[0] },
		"rows":    func(d *facetdv1.Device) { p := d.Address.Row; p[0], p[1] = p[1], p[0] },
		"columns": func(d *facetdv1.Device) { p := d.Address.Column; p[0], p[1] = p[1], p[0] },
		"clock":   func(d *facetdv1.Device) { d.Clock, d.Registers.Write = d.Registers.Write, d.Clock },
		"converters": func(d *facetdv1.Device) {
			l := d.Lanes
			l[0].Converter, l[1].Converter = l[1].Converter, l[0].Converter
		},
	} {
		if left--; left < 0 {
			break
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			behind := wired(t, shuffles(seed), swap)
			_, said := conform(t, func() *rig {
				return startWith(t, bridgetest.Config{Array: behind}, file)
			})
			if said == "" {
				t.Error("it was not noticed")
			}
		})
	}
}

// TestPinsThatAreRefused: what a board cannot drive, or did not get as it was sent, leaves it in its safe state, and
// cannot be configured all the same; right ones can follow.
func TestPinsThatAreRefused(t *testing.T) {
	t.Parallel()
	a := wired(t, shuffles(2), nil)
	r := bridgetest.Start(t, bridgetest.Config{Array: a, Scene: light(t)})
	good, digest := seal(pinsOf(a.Device))
	sealed := func(change func(m *wire.Pins)) []byte {
		var m wire.Pins
		if _, err := wire.Take(good, &m); err != nil {
			t.Fatal(err)
		}
		change(&m)
		payload, _ := seal(m)
		return payload
	}
	spoiled := append([]byte(nil), good...)
	spoiled[20]++
	config := wire.Append(nil, wire.Config{Lease: 1 << 40, Lines: 3, Lanes: 1})
	for _, c := range []struct {
		name    string
		payload []byte
		why     uint32
	}{
		{"spoiled", spoiled, wire.PinsDigest},
		{"an output twice", sealed(func(m *wire.Pins) { m.Outputs[1] = m.Outputs[0] }), wire.PinsTwice},
		{"a converter twice", sealed(func(m *wire.Pins) { m.Converters[1] = m.Converters[0] }), wire.PinsTwice},
		{"no such converter", sealed(func(m *wire.Pins) { m.Converters[0] = 8 }), wire.PinsConverter},
		{"an output as input", sealed(func(m *wire.Pins) { m.Loops[0] = m.Outputs[2] }), wire.PinsLoop},
		{"an input of nothing", sealed(func(m *wire.Pins) { m.Outputs[5], m.Loops[5] = wire.NoPin, 200 }),
			wire.PinsLoop},
		{"good", good, 0},
	} {
		s := dial(t, r.Address).session
		said, err := s.ask(wire.TypePins, c.payload)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		configured, err := s.ask(wire.TypeConfig, config)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		switch {
		case c.why == 0:
			if said.Code != wire.ReplyOK || said.Detail != digest || configured.Code != wire.ReplyOK {
				t.Errorf("%s: %+v, and then %+v", c.name, said, configured)
			}
			if late, err := s.ask(wire.TypePins, good); err != nil || late.Code != wire.ReplyOrder {
				t.Errorf("while it is configured: %+v, %v", late, err)
			}
		case said.Code != wire.ReplyPins || said.Detail != c.why || configured.Code != wire.ReplyPins ||
			configured.Detail != c.why:
			t.Errorf("%s: %+v, and then %+v", c.name, said, configured)
		}
		s.close()
	}
}

// TestADeviceWithoutPins: firmware that cannot be told its pins is refused where the array file has them, and the
// message says what is missing; where it has none it runs.
func TestADeviceWithoutPins(t *testing.T) {
	t.Parallel()
	a := wired(t, shuffles(3), nil)
	cfg := bridgetest.Config{Array: a, Scene: light(t), Protocol: 100}
	d := dial(t, bridgetest.Start(t, cfg).Address)
	on, err := a.OnGrain(d.Grain())
	if err != nil {
		t.Fatal(err)
	}
	_, err = New(t.Context(), Config{Device: d, Array: on})
	var wrong *VersionError
	if !errors.As(err, &wrong) || !strings.Contains(err.Error(), "which pins are wired to what") {
		t.Errorf("%v", err)
	}
	if b := start(t, bridgetest.Config{Protocol: 100}); b.Status().Minor != 0 {
		t.Errorf("it speaks %d", b.Status().Minor)
	}
}
