package bridge

import (
	"fmt"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/wire"
	"facetd.example/chipmodel"
)

// OnEdge says who is told of edges at the inputs from the rest of the robot.
func (b *Bus) OnEdge(tell func(bus.Edge)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.edges = tell
}

// syncOf is what a device is told of the pins for the rest of the robot, sealed by its digest.
func syncOf(a *chipmodel.Array) (payload []byte, digest uint32) {
	d := a.Device
	m := wire.Sync{Mark: uint8(d.Mark.Pin), Width: ticks(a, a.Up(d.Mark.Width))}
	for i := range m.Inputs {
		m.Inputs[i] = wire.NoPin
		if i >= len(d.Inputs) {
			continue
		}
		m.Inputs[i] = uint8(d.Inputs[i].Pin)
		if d.Inputs[i].Rising {
			m.Edges[i] |= wire.EdgeRising
		}
		if d.Inputs[i].Falling {
			m.Edges[i] |= wire.EdgeFalling
		}
	}
	return seal(m)
}

// tellSync tells a device that knows its pins which of them are for the rest of the robot. Errors: *PinsError, the
// session's.
func (b *Bus) tellSync(s *session) error {
	if !b.array.Device.Synchronized() {
		return nil
	}
	payload, digest := syncOf(b.array)
	r, err := s.ask(wire.TypeSync, payload)
	switch {
	case err != nil:
		return err
	case r.Code == wire.ReplyPins:
		return &PinsError{Board: b.board(), Why: uint8(r.Detail)}
	case r.Code != wire.ReplyOK:
		return fmt.Errorf("the device refuses its pins for the rest of the robot (code %d)", r.Code)
	case r.Detail != digest:
		return &PinsError{Board: b.board()}
	}
	return nil
}

// impossiblyEarly is by how much an edge may seem to come later than now: more than the clock of any device that is
// followed is off (our choice, no source).
const impossiblyEarly = time.Second

// takeEdge returns an edge that the device tells of, and who is told. The caller holds mu, and tells without it.
func (b *Bus) takeEdge(payload []byte) (tell func(), err error) {
	var m wire.Edge
	if _, err := wire.Take(payload, &m); err != nil {
		return nil, err
	}
	if err := b.hasInput(m.Input); err != nil {
		return nil, err
	}
	at := b.clock.toBus(m.At)
	if early := at.Sub(b.clock.Now()); early > impossiblyEarly { // and would keep others from triggering until then
		return nil, fmt.Errorf("the device tells of an edge %v before it can have come", early)
	}
	b.count(m.Input, m.Missed)
	e := bus.Edge{Input: int(m.Input), High: m.Level != 0, At: at, Missed: b.missed[m.Input] + b.missing[m.Input]}
	return b.tellEdge(e), nil
}

// takeMissed takes the count of edges that were not told; as takeEdge. The caller holds mu.
func (b *Bus) takeMissed(payload []byte) (tell func(), err error) {
	var m wire.Missed
	if _, err := wire.Take(payload, &m); err != nil {
		return nil, err
	}
	if err := b.hasInput(m.Input); err != nil {
		return nil, err
	}
	b.count(m.Input, m.Missed)
	return b.tellEdge(bus.Edge{Input: int(m.Input), Missed: b.missed[m.Input] + b.missing[m.Input], Count: true}), nil
}

// count takes how many edges of an input the device says that it has not told in this session: a number which begins
// again at 0, after half a day with 100,000 edges a second. The caller holds mu.
func (b *Bus) count(input uint8, missed uint32) {
	b.missing[input] += uint64(missed - uint32(b.missing[input]))
}

func (b *Bus) hasInput(input uint8) error {
	if b.array.Device == nil || int(input) >= len(b.array.Device.Inputs) {
		return fmt.Errorf("the device tells of an edge at input %d, which the array does not have", input)
	}
	return nil
}

// tellEdge is how somebody is told of an edge. One that comes before anybody wants it is missed. The caller holds mu.
func (b *Bus) tellEdge(e bus.Edge) func() {
	told := b.edges
	if told == nil {
		if !e.Count {
			b.missed[e.Input]++
		}
		return nil
	}
	return func() { told(e) }
}
