package bridge

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"

	"facetd.example/bus/bridge/wire"
	"facetd.example/chipmodel"
)

// PinsError says that a device does not take the pins of the array file's device section, and stays in its safe state.
type PinsError struct {
	Board string // as the array file has it; may be empty
	// Why is one of the wire's constants; 0 where the device tells of other pins than it was sent.
	Why uint8
}

func (e *PinsError) Error() string {
	why := fmt.Sprintf("cause %d", e.Why)
	if int(e.Why) < len(pinCauses) {
		why = pinCauses[e.Why]
	}
	board := "its board"
	if e.Board != "" {
		board = "board " + e.Board
	}
	return fmt.Sprintf("the device keeps every line inactive, as %s does not take the pins of the array file: %s",
		board, why)
}

var pinCauses = []string{"it tells of other pins than it was sent", "they were not the same when they arrived",
	"a pin or converter serves twice", "an input of the self-test is none", "it has not so many converters",
	"it lacks one of the pins, or the file has no device section and the board no numbering of its own"}

// pinsOf is what a device is told of the pins of an array, but for the digest.
func pinsOf(d *chipmodel.Device) (m wire.Pins) {
	for _, all := range [][]uint8{m.Outputs[:], m.Loops[:], m.Converters[:]} {
		for i := range all {
			all[i] = wire.NoPin
		}
	}
	put := func(signal int, pins ...chipmodel.Pin) {
		for i, p := range pins {
			m.Outputs[signal+i] = uint8(p)
			if input, looped := d.Loopback[p]; looped && p != chipmodel.NoPin {
				m.Loops[signal+i] = uint8(input)
			}
		}
	}
	put(wire.SignalSelect, d.Selects...)
	put(wire.SignalStrobe+1, d.Strobes[1:]...)
	put(wire.SignalNumber, d.Number...)
	put(wire.SignalValue, d.Value...)
	put(wire.SignalWrite, d.Write)
	put(wire.SignalRow, d.Row...)
	put(wire.SignalColumn, d.Column...)
	put(wire.SignalClock, d.Clock)
	for lane, c := range d.Converters {
		if lane < len(m.Converters) {
			m.Converters[lane] = uint8(c)
		}
	}
	return m
}

// seal puts the digest before the pins that it is made of.
func seal[M wire.Pins | wire.Sync](m M) (payload []byte, digest uint32) {
	const sized = 4 // the digest
	payload = wire.Append(nil, m)
	digest = crc32.ChecksumIEEE(payload[sized:])
	binary.LittleEndian.PutUint32(payload, digest)
	return payload, digest
}

// tellPins tells a device that has shaken hands which pins are wired to what. Errors: *PinsError, the session's.
func (b *Bus) tellPins(s *session) error {
	d := b.array.Device
	if d == nil {
		return nil
	}
	payload, digest := seal(pinsOf(d))
	r, err := s.ask(wire.TypePins, payload)
	switch {
	case err != nil:
		return err
	case r.Code == wire.ReplyPins:
		return &PinsError{Board: d.Board, Why: uint8(r.Detail)}
	case r.Code != wire.ReplyOK:
		return fmt.Errorf("the device refuses its pins (code %d)", r.Code)
	case r.Detail != digest:
		return &PinsError{Board: d.Board}
	}
	return nil
}

// ask sends a message of a session that nobody else hears yet, and waits for its answer. Readings that come before that
// are put aside.
func (s *session) ask(kind uint8, payload []byte) (wire.Reply, error) {
	var r wire.Reply
	if err := s.send(kind, payload); err != nil {
		return r, err
	}
	for {
		f, err := s.next()
		if err != nil {
			return r, err
		}
		switch f.Type {
		case wire.TypeClock: // one that was late
			continue
		case wire.TypeReading:
			s.aside = append(s.aside, f.Payload)
			continue
		}
		if _, err = wire.Take(f.Payload, &r); err != nil || f.Type != wire.TypeReply || r.To != kind {
			return r, fmt.Errorf("the device answers message %d with one of type %d", kind, f.Type)
		}
		return r, nil
	}
}
