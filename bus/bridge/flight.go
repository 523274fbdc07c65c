package bridge

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"

	"facetd.example/bus"
	"facetd.example/bus/bridge/wire"
	"facetd.example/chipmodel"
)

// flight is a segment in flight.
type flight struct {
	id      uint32
	start   bus.Time
	segment *bus.Segment
	ops     []bus.Op // with the values of the segment
	times   []bus.Time
	scans   []*readout // by operation; nil where it reads nothing
	result  *wire.Result
	err     error // why there is none
	wrong   error // with what the device told; the first
}

// readout is what has come of a scan.
type readout struct {
	scan   *bus.Scan
	timing chipmodel.ScanTiming
	lanes  [wire.MaxLanes]int // the chip of a lane, by its index in scan; -1 for none
	codes  [][]uint16         // by chip
	got    []int
	first  bus.Time // when its first pixel was sampled, as measured
	begun  bool
}

// Submit hands a segment over.
func (b *Bus) Submit(start bus.Time, s *bus.Segment) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	c := b.programs[s.Program]
	switch {
	case b.closed:
		return bus.ErrClosed
	case b.cut != nil:
		return b.cut
	case len(b.flights) >= b.limits.Queue:
		return bus.ErrQueueFull
	case c == nil || c.session != b.session.number:
		return bus.ErrNotPrepared
	}
	if err := bus.CheckValues(s.Slots, s.Values); err != nil {
		return err
	}
	b.ids++
	m := wire.Submit{Id: b.ids, Taken: b.taken, Start: b.clock.toDevice(start), Index: c.index,
		Slots: uint8(len(s.Slots))}
	if start.Sub(b.Now()) < b.limits.LeastLead {
		m.Flags |= wire.SubmitLate
	}
	if s.Mark {
		m.Flags |= wire.SubmitMark
	}
	payload := wire.Append(nil, m)
	for i := range s.Slots {
		value := s.Slots[i].Default
		if s.Values != nil {
			value = s.Values[i]
		}
		payload = wire.Append(payload, c.value(b.array, i, value))
	}
	f := &flight{id: b.ids, start: start, segment: s, ops: s.Ops}
	if s.Values != nil {
		f.ops = bus.Fill(nil, s.Ops, s.Slots, s.Values)
	}
	f.expect(b.array)
	if err := b.send(wire.TypeSubmit, payload); err != nil {
		return err
	}
	b.flights = append(b.flights, f)
	b.record.counters.Submitted++
	return nil
}

// expect makes room for what a flight will bring.
func (f *flight) expect(a *chipmodel.Array) {
	f.scans = make([]*readout, len(f.ops))
	for i := range f.ops {
		s := f.ops[i].Scan
		if s == nil {
			continue
		}
		r := &readout{scan: s, timing: s.Timing(a), codes: make([][]uint16, len(s.Chips)),
			got: make([]int, len(s.Chips))}
		for lane := range r.lanes {
			r.lanes[lane] = -1
		}
		for k, c := range s.Chips {
			r.lanes[a.Chips[c].Lane] = k
			r.codes[k] = f.segment.Room(s.Frames[k], s.FirstRow, s.Window)
		}
		f.scans[i] = r
	}
}

// flightOf is the flight of a run that has no result yet, or nil. The caller holds mu.
func (b *Bus) flightOf(id uint32) *flight {
	for _, f := range b.flights {
		if f.id == id && f.result == nil && f.err == nil {
			return f
		}
	}
	return nil
}

// takeData puts codes where they belong. What does not belong anywhere is the run's error. The caller holds mu.
func (b *Bus) takeData(payload []byte) error {
	var m wire.Data
	codes, err := wire.Take(payload, &m)
	if err != nil {
		return err
	}
	if f := b.flightOf(m.Id); f != nil && f.wrong == nil {
		f.wrong = f.put(&m, codes, b.clock.toBus(m.At), b.array)
	}
	return nil
}

func (f *flight) put(m *wire.Data, codes []byte, at bus.Time, a *chipmodel.Array) error {
	if int(m.Op) >= len(f.scans) || f.scans[m.Op] == nil || int(m.Lane) >= wire.MaxLanes ||
		f.scans[m.Op].lanes[m.Lane] < 0 {
		return fmt.Errorf("the device sent codes of lane %d for operation %d, which does not read it", m.Lane, m.Op)
	}
	r := f.scans[m.Op]
	w, n, k := r.scan.Window, len(codes)/2, r.lanes[m.Lane]
	if int(m.Row) >= w.Rows || int(m.Column)+n > w.Columns {
		return fmt.Errorf("the device sent %d codes from (%d, %d) on of a window of %d x %d", n, m.Row, m.Column,
			w.Rows, w.Columns)
	}
	if begins := int(m.Row)*w.Columns + int(m.Column); begins != r.got[k] {
		return fmt.Errorf("the device sent codes out of order: those from %d on, and %d had come", begins, r.got[k])
	}
	since := r.timing.SampleAt(int(m.Row), int(m.Column)) - r.timing.First
	if !r.begun {
		r.first, r.begun = at.Add(-since), true
	}
	if late := at.Sub(r.first.Add(since)); late != 0 {
		return fmt.Errorf("row %d of a readout was sampled %v off the others", m.Row, late)
	}
	dst := r.codes[k][int(m.Row)*w.Columns+int(m.Column):]
	highest := uint16(1)<<a.Lanes[m.Lane].Bits - 1
	for i := range n {
		code := binary.LittleEndian.Uint16(codes[2*i:])
		if code > highest {
			return fmt.Errorf("a code of %d on lane %s, whose converter has %d bits", code, a.Lanes[m.Lane].Name,
				a.Lanes[m.Lane].Bits)
		}
		dst[i] = code
	}
	r.got[k] += n
	return nil
}

// takeTimes notes when operations began. The caller holds mu.
func (b *Bus) takeTimes(payload []byte) error {
	var m wire.Times
	times, err := wire.Take(payload, &m)
	if err != nil {
		return err
	}
	f := b.flightOf(m.Id)
	if f == nil {
		return nil
	}
	if int(m.First) != len(f.times) || len(f.times)+len(times)/8 > len(f.ops) {
		f.wrong = fmt.Errorf("the device told %d times from operation %d on, after %d of %d", len(times)/8, m.First,
			len(f.times), len(f.ops))
		return nil
	}
	for ; len(times) >= 8; times = times[8:] {
		f.times = append(f.times, b.clock.toBus(binary.LittleEndian.Uint64(times)))
	}
	return nil
}

// takeResult notes what became of a run. The caller holds mu.
func (b *Bus) takeResult(payload []byte) error {
	var m wire.Result
	if _, err := wire.Take(payload, &m); err != nil {
		return err
	}
	if f := b.flightOf(m.Id); f != nil {
		f.result = &m
		b.record.ended(&m, b.clock.tick)
	}
	return nil
}

// takeReply notes an answer: to what is waited for, or to a run that the device could not read. The caller holds mu.
func (b *Bus) takeReply(f *wire.Frame) error {
	var r wire.Reply
	if _, err := wire.Take(f.Payload, &r); err != nil {
		return err
	}
	if r.To != wire.TypeSubmit {
		if r.Answers == b.asked { // what is not waited for any more is answered, too
			b.reply = &r
		}
		return nil
	}
	if f := b.flightOf(r.Detail); f != nil {
		f.err = fmt.Errorf("the device does not take the run (code %d)", r.Code)
		b.record.counters.Rejected++
	}
	return nil
}

// Next waits for the next result.
func (b *Bus) Next(ctx context.Context) (bus.Result, error) {
	b.mu.Lock()
	if b.closed || len(b.flights) == 0 {
		defer b.mu.Unlock()
		if b.closed {
			return bus.Result{}, bus.ErrClosed
		}
		return bus.Result{}, bus.ErrIdle
	}
	f := b.flights[0]
	b.mu.Unlock()
	is := func() bool { return f.result != nil || f.err != nil }
	if err := b.await(ctx, is); err != nil {
		b.mu.Lock()
		done := is()
		b.mu.Unlock()
		if !done {
			return bus.Result{}, err
		}
	}
	b.mu.Lock()
	b.flights = b.flights[1:]
	b.taken = f.id
	b.mu.Unlock()
	res := b.judge(f)
	var lost *bus.LostError
	if res.Err != nil && !res.Refused() && !errors.As(res.Err, &lost) && (f.result == nil ||
		f.result.Code == wire.ResultWhole) {
		// The device holds it for whole, and does not know that it is not: what is behind it is to be recalled.
		b.contradicted(f)
		if _, err := b.Release(ctx); err != nil && !errors.As(err, &lost) {
			res.Err = errors.Join(res.Err, err)
		}
	}
	if res.Err != nil {
		f.clear()
	}
	return res, nil
}

// contradicted counts a run that the device calls whole, and that is not.
func (b *Bus) contradicted(f *flight) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if f.result != nil {
		b.record.counters.Contradicted++
	}
}

// clear leaves nothing of a flight that did not run whole where its codes would have been.
func (f *flight) clear() {
	for _, r := range f.scans {
		if r == nil {
			continue
		}
		for _, codes := range r.codes {
			clear(codes)
		}
	}
}
