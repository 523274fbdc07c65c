package bridge

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"math"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/wire"
	"facetd.example/chipmodel"
)

// compiled is a program in the device's form.
type compiled struct {
	code []byte
	hash [16]byte
	// ticked says of each slot whether its values are times, which the device gets in ticks.
	ticked []bool
	// index is where the device has it, in the session of the same number.
	index   uint16
	session uint32
}

// compile writes a program, which has passed bus.CheckProgram, in the device's form. Errors: what no device can do.
func compile(a *chipmodel.Array, p *bus.Program) (*compiled, error) {
	if len(p.Slots) > wire.MaxSlots || len(p.Ops) > math.MaxUint16 {
		return nil, fmt.Errorf("%d operations with %d slots: a device takes %d with %d", len(p.Ops), len(p.Slots),
			math.MaxUint16, wire.MaxSlots)
	}
	c := &compiled{ticked: make([]bool, len(p.Slots))}
	var body []byte
	var total time.Duration
	for i := range p.Ops {
		cost := bus.Cost(a, &p.Ops[i]).Total()
		total += cost
		w := opWriter{a: a, p: p, c: c, duration: ticks(a, cost)}
		var err error
		if body, err = w.write(body, &p.Ops[i]); err != nil {
			return nil, fmt.Errorf("operation %d: %w", i, err)
		}
	}
	c.code = wire.Append(nil, wire.Head{Ops: uint16(len(p.Ops)), Slots: uint16(len(p.Slots)),
		Duration: ticks(a, total)})
	for i, s := range p.Slots {
		c.code = wire.Append(c.code, wire.Slot{Low: c.value(a, i, s.Low), High: c.value(a, i, s.High)})
	}
	c.code = append(c.code, body...)
	sum := sha256.Sum256(c.code)
	copy(c.hash[:], sum[:])
	return c, nil
}

// value is a value of a slot as the device gets it.
func (c *compiled) value(a *chipmodel.Array, slot, value int) int32 {
	if c.ticked[slot] {
		return int32(int64(value) / int64(a.Grain()))
	}
	return int32(value)
}

// ticks is a time, which is on the grain, in ticks of the device.
func ticks(a *chipmodel.Array, d time.Duration) uint64 { return uint64(d / a.Grain()) }

// opWriter writes one operation.
type opWriter struct {
	a        *chipmodel.Array
	p        *bus.Program
	c        *compiled
	duration uint64
}

func (w *opWriter) write(dst []byte, op *bus.Op) ([]byte, error) {
	switch op.Kind {
	case bus.OpSelect:
		return wire.Append(dst, wire.Select{Kind: wire.OpSelect, Word: uint64(op.Word),
			Dead: ticks(w.a, w.a.DeadTime()), Duration: w.duration}), nil
	case bus.OpWrite:
		return wire.Append(dst, wire.Write{Kind: wire.OpWrite, Register: uint8(op.Register), Slot: uint8(op.Slot),
			Value: op.Value, Duration: w.duration}), nil
	case bus.OpStrobe:
		return wire.Append(dst, w.strobe(op)), nil
	case bus.OpWait:
		return wire.Append(dst, wire.Wait{Kind: wire.OpWait, Duration: w.duration}), nil
	}
	s, err := w.scan(op)
	return wire.Append(dst, s), err
}

func (w *opWriter) strobe(op *bus.Op) wire.Strobe {
	s := wire.Strobe{Kind: wire.OpStrobe, Strobe: uint8(op.Strobe), Duration: w.duration,
		Width: ticks(w.a, w.a.StrobeTime())}
	switch op.Strobe {
	case chipmodel.Share:
		s.Width += ticks(w.a, op.Hold)
	case chipmodel.Reset, chipmodel.Advance:
		s.Width = w.duration
	case chipmodel.Expose: // what is exposed ends with the operation
		s.Delay = w.duration - ticks(w.a, op.Hold)
		if op.Slot > 0 {
			s.Slot = uint8(op.Slot)
			w.c.ticked[op.Slot-1] = true
		}
	}
	return s
}

// scan writes a readout. Addresses and clocks are one for all lanes: nothing moves on before every lane has sampled,
// and converted where it does not hold.
func (w *opWriter) scan(op *bus.Op) (wire.Scan, error) {
	s := op.Scan
	class := w.a.Chips[s.Chips[0]].Class
	t := s.Timing(w.a)
	var conversion time.Duration
	holds := true
	out := wire.Scan{
		Kind: wire.OpScan, RowSlot: uint8(s.RowSlot), ColumnSlot: uint8(s.ColumnSlot),
		Rows: uint16(s.Window.Rows), Columns: uint16(s.Window.Columns),
		RowStep: uint16(s.Window.RowStep), ColumnStep: uint16(s.Window.ColumnStep),
		LatticeRows: uint16(class.Rows), LatticeColumns: uint16(class.Columns),
		Row: int32(s.Window.Row - w.base(s.RowSlot)), Column: int32(s.Window.Column - w.base(s.ColumnSlot)),
		Step: ticks(w.a, w.a.StepTime(class)), RowTime: ticks(w.a, w.a.Up(class.Spec.GetReadout().GetRowStep().
			AsDuration())),
		Interval: ticks(w.a, t.PixelInterval), RowInterval: ticks(w.a, t.RowInterval), Duration: w.duration,
	}
	for _, c := range s.Chips {
		lane := w.a.Chips[c].Lane
		if lane >= wire.MaxLanes {
			return out, fmt.Errorf("a device converts %d lanes", wire.MaxLanes)
		}
		if out.Lanes&(1<<lane) != 0 {
			return out, errors.New("two chips on one lane cannot be read at once")
		}
		out.Lanes |= 1 << lane
		conversion = max(conversion, w.a.ConversionTime(lane))
		holds = holds && w.a.Lanes[lane].SampleAndHold
	}
	if bus.SamplesLight(w.a, op) && w.a.Device.Synchronized() {
		out.Flags |= wire.ScanLight
	}
	out.Conversion = ticks(w.a, conversion)
	busy := uint64(0)
	if !holds {
		busy = out.Conversion
	}
	moves := out.RowTime + out.Step
	if class.Counts() {
		out.Flags |= wire.ScanCounts
		moves = uint64(s.Window.Row*class.Columns+s.Window.Column+1)*out.Step + uint64(s.Window.Row)*out.RowTime
	}
	out.Settle = ticks(w.a, t.First) - moves
	out.Lead = out.Interval - busy
	out.RowLead = out.RowInterval - uint64(out.Columns-1)*out.Interval - busy
	return out, nil
}

// base is the default of a slot, for which operations are written: the device adds the value to what is left.
func (w *opWriter) base(slot int) int {
	if slot == 0 {
		return 0
	}
	return w.p.Slots[slot-1].Default
}
