package bridge

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
)

// ErrUnderrun is the error of a run that broke off as the device could not arm its operations in time.
var ErrUnderrun = errors.New("the device could not make an operation ready in time")

// ErrBoard is the error of a run that broke off with a fault of the board.
var ErrBoard = errors.New("a fault of the board")

// chipsSeen is what follows for the chips from what the device has run: who listens, and what is in their memories.
type chipsSeen struct {
	array     *chipmodel.Array
	listening []int
	loaded    []bool
	loadedAt  []bus.Time
}

func newChipsSeen(a *chipmodel.Array) chipsSeen {
	return chipsSeen{array: a, loaded: make([]bool, len(a.Chips)), loadedAt: make([]bus.Time, len(a.Chips))}
}

func (c *chipsSeen) released() { c.listening = nil }

func (c *chipsSeen) forget() {
	c.listening = nil
	clear(c.loaded)
}

// op follows an operation that began at a bus time.
func (c *chipsSeen) op(op *bus.Op, at bus.Time) {
	switch {
	case op.Kind == bus.OpSelect:
		c.listening = c.array.Reach(op.Word)
	case op.Kind == bus.OpStrobe && op.Strobe == chipmodel.Load:
		for _, chip := range c.listening {
			if c.array.Chips[chip].Class.HasMemory() {
				c.loaded[chip], c.loadedAt[chip] = true, at
			}
		}
	}
}

// judge makes the result of a flight, and has the inspector judge what ran by the times at which it did.
func (b *Bus) judge(f *flight) bus.Result {
	res := bus.Result{Start: f.start, End: f.start, Slack: bus.NoSlack, Err: f.err}
	m := f.result
	if m == nil {
		if errors.As(f.err, new(*bus.LostError)) {
			b.chips.forget()
		}
		return res
	}
	res.Slack = time.Duration(m.Slack) * b.clock.tick
	switch m.Code {
	case wire.ResultLate, wire.ResultRecalled:
		res.Err = b.refused(f, m, &res)
		return res
	case wire.ResultWhole:
	case wire.ResultUnderrun:
		res.Err = ErrUnderrun
	case wire.ResultStopped, wire.ResultLease:
		res.Err = bus.ErrReleased
	default:
		res.Err = ErrBoard
	}
	ran := min(int(m.Ran), len(f.ops))
	if res.Err == nil && (ran < len(f.ops) || len(f.times) < len(f.ops)) && f.wrong == nil {
		f.wrong = fmt.Errorf("the device says that the run is whole, and told of %d of %d operations",
			min(ran, len(f.times)), len(f.ops))
	}
	if f.wrong != nil && res.Err == nil {
		res.Err = f.wrong
	}
	b.follow(f, min(ran, len(f.times)), &res)
	return res
}

// refused is the error of a run of which nothing was executed.
func (b *Bus) refused(f *flight, m *wire.Result, res *bus.Result) error {
	e := &bus.RefusedError{Cause: bus.Recalled, Planned: f.start, Device: b.clock.toBus(m.Device)}
	if m.Code == wire.ResultRecalled {
		res.Slack = bus.NoSlack
		return e
	}
	e.Late = max(-res.Slack, e.Device.Sub(f.start), 0)
	switch m.Cause {
	case wire.CauseHost:
		e.Cause = bus.HostStall
	case wire.CauseLink:
		e.Cause = bus.LinkDelay
	default:
		e.Cause = bus.DeviceBusy
	}
	return e
}

// follow goes through the operations that ran, at their measured times.
func (b *Bus) follow(f *flight, ran int, res *bus.Result) {
	in := b.inspector
	broken := in.Broken()
	if len(f.times) > 0 {
		res.Start = f.times[0]
	}
	res.End = res.Start
	in.BeginSegment(f.segment, f.start, res.Start)
	planned, due := true, f.start
	for i := range ran {
		op, at := &f.ops[i], f.times[i]
		cost := bus.Cost(b.array, op)
		planned, due = planned && at == due, due.Add(cost.Total())
		end := at.Add(cost.Total())
		b.chips.op(op, at)
		n := len(res.Captures)
		if f.scans[i] != nil && res.Err == nil {
			if err := b.captures(f.scans[i], at, res); err != nil {
				res.Err = err
			}
		}
		if res.Err == nil || f.scans[i] == nil {
			in.Op(op, at, end, res.Captures[n:])
		}
		res.Busy.Add(cost)
		res.Ran, res.End = i+1, end
		if in.Broken() != broken {
			break
		}
	}
	if !planned {
		res.Began = slices.Clone(f.times)
	}
	if res.Err == nil && in.Broken() == broken {
		in.EndSegment(res.End)
	}
	if in.Broken() != broken {
		res.Err = &rules.ViolationError{Violations: slices.Clip(in.Take())}
	}
	if res.Err == nil {
		return
	}
	res.Captures = nil
	var op *bus.Op
	if ran < len(f.ops) {
		op = &f.ops[ran]
	}
	if end := b.clock.toBus(f.result.End); end > res.End {
		res.End = end
	}
	in.GiveUp(op, res.End)
	if f.result.Code != wire.ResultWhole {
		in.Released(res.End, res.End)
		b.chips.released()
	}
}

// captures makes the captures of a readout that began at a bus time.
func (b *Bus) captures(r *readout, at bus.Time, res *bus.Result) error {
	for k, c := range r.scan.Chips {
		w := r.scan.Window
		if r.got[k] != w.Pixels() {
			return fmt.Errorf("the device sent %d codes of chip %s, and %d were read", r.got[k], b.array.Chips[c].Name,
				w.Pixels())
		}
		cp := bus.Capture{
			Chip: c, Frame: r.scan.Frames[k], FirstRow: r.scan.FirstRow, Window: w, Codes: r.codes[k],
			FirstSample: r.first, RowInterval: r.timing.RowInterval, PixelInterval: r.timing.PixelInterval,
			Converted: r.first.Add(r.timing.Duration - r.timing.First),
		}
		cp.Light = cp.FirstSample
		if b.array.Chips[c].Class.HasMemory() && b.chips.loaded[c] {
			cp.Light = b.chips.loadedAt[c]
			cp.Hold = cp.LastSample().Sub(b.chips.loadedAt[c])
		}
		highest := uint16(1)<<b.array.Lanes[b.array.Chips[c].Lane].Bits - 1
		for _, code := range cp.Codes {
			if code == 0 {
				cp.Low++
			}
			if code == highest {
				cp.High++
			}
		}
		res.Captures = append(res.Captures, cp)
	}
	return nil
}
