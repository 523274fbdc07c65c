package bustest

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// PinKind is what happens at the pins of a device that drives an array.
type PinKind uint8

// What happens. What happens at one time is ordered like this: a sample comes before the move to the next pixel.
const (
	PinSample PinKind = iota + 1 // the lanes of Value are sampled
	PinLines                     // the select lines become Value
	PinWrite                     // register Which becomes Value, over Width
	PinStrobe                    // strobe Which, Width long
	PinRow                       // the row address becomes Value
	PinColumn                    // the column address becomes Value
	PinClock                     // one pulse
	PinMark                      // light is marked, for Width
)

// Pin is one thing that happens at the pins: a trace of a device is made of them, as finely as they can be seen there.
type Pin struct {
	At    bus.Time
	Kind  PinKind
	Which int
	Value uint64
	Width time.Duration
}

// PlannedPins is what a run of operations, with the values of its slots filled in, does at the pins when it begins at a
// bus time: by the array file and bus.Cost alone, with nothing of any driver's code.
func PlannedPins(a *chipmodel.Array, start bus.Time, ops []bus.Op) []Pin {
	p := planned{a: a, at: start}
	for i := range ops {
		p.op(&ops[i])
		p.at = p.at.Add(bus.Cost(a, &ops[i]).Total())
	}
	return p.pins
}

// PlannedMarks are the marks of a run of operations of which light is marked, for a width: by the array file and
// bus.Cost alone.
func PlannedMarks(a *chipmodel.Array, start bus.Time, ops []bus.Op, width time.Duration) []Pin {
	var marks []Pin
	for i := range ops {
		op := &ops[i]
		lasts, light := bus.Cost(a, op).Total(), time.Duration(-1)
		switch s := op.Scan; {
		case op.Kind == bus.OpStrobe && op.Strobe == facetdv1.Strobe_STROBE_LOAD:
			light = 0
		case s != nil && s.FirstRow == 0 && !s.Levels && a.Chips[s.Chips[0]].Class.Spec.GetMemory() == nil:
			light = s.Timing(a).SampleAt(0, 0)
		}
		if light >= 0 {
			marks = append(marks, Pin{At: start.Add(light), Kind: PinMark, Width: min(a.Up(width), lasts-light)})
		}
		start = start.Add(lasts)
	}
	return marks
}

// SortPins puts a trace in order, that two of them can be compared.
func SortPins(pins []Pin) {
	slices.SortStableFunc(pins, func(x, y Pin) int {
		return cmp.Or(cmp.Compare(x.At, y.At), cmp.Compare(x.Kind, y.Kind), cmp.Compare(x.Which, y.Which),
			cmp.Compare(x.Value, y.Value))
	})
}

// DiffPins compares what happened at the pins with what was planned, both sorted; the text is empty where they are the
// same, and otherwise says what is the first thing that differs.
func DiffPins(got, want []Pin) string {
	for i := range max(len(got), len(want)) {
		switch {
		case i >= len(got):
			return fmt.Sprintf("missing at the end: %+v and %d more", want[i], len(want)-i-1)
		case i >= len(want):
			return fmt.Sprintf("not planned: %+v and %d more", got[i], len(got)-i-1)
		case got[i] != want[i]:
			return fmt.Sprintf("number %d is %+v, planned was %+v", i, got[i], want[i])
		}
	}
	return ""
}

// planned is a plan as far as it is written.
type planned struct {
	a    *chipmodel.Array
	at   bus.Time // when the operation begins
	pins []Pin
}

func (p *planned) add(after time.Duration, pin Pin) {
	pin.At = p.at.Add(after)
	p.pins = append(p.pins, pin)
}

func (p *planned) op(op *bus.Op) {
	a := p.a
	switch op.Kind {
	case bus.OpSelect:
		p.add(0, Pin{Kind: PinLines})
		if op.Word != 0 {
			p.add(a.DeadTime(), Pin{Kind: PinLines, Value: uint64(op.Word)})
		}
	case bus.OpWrite:
		p.add(0, Pin{Kind: PinWrite, Which: int(op.Register), Value: uint64(op.Value),
			Width: bus.Cost(a, op).Total()})
	case bus.OpStrobe:
		p.strobe(op)
	case bus.OpScan:
		p.addressed(op.Scan)
	case bus.OpClockOut:
		p.clocked(op.Scan)
	}
}

func (p *planned) strobe(op *bus.Op) {
	cost := bus.Cost(p.a, op).Total()
	pin := Pin{Kind: PinStrobe, Which: int(op.Strobe), Width: p.a.StrobeTime()}
	after := time.Duration(0)
	switch op.Strobe {
	case facetdv1.Strobe_STROBE_SHARE:
		pin.Width += op.Hold
	case facetdv1.Strobe_STROBE_RESET, facetdv1.Strobe_STROBE_ADVANCE:
		pin.Width = cost
	case facetdv1.Strobe_STROBE_EXPOSE:
		after = cost - op.Hold
	}
	p.add(after, pin)
}

// busy is how long after a sample the address may not change: where a lane does not hold, until it is converted.
func (p *planned) busy(s *bus.Scan) (busy time.Duration, lanes uint64) {
	holds := true
	for _, c := range s.Chips {
		lane := p.a.Chips[c].Lane
		lanes |= 1 << lane
		holds = holds && p.a.Lanes[lane].SampleAndHold
		busy = max(busy, p.a.ConversionTime(lane))
	}
	if holds {
		busy = 0
	}
	return busy, lanes
}

func (p *planned) addressed(s *bus.Scan) {
	t := s.Timing(p.a)
	busy, lanes := p.busy(s)
	rowStep := p.a.Up(p.a.Chips[s.Chips[0]].Class.Spec.GetReadout().GetRowStep().AsDuration())
	free := time.Duration(0) // from when on the address may change
	for r := range s.Window.Rows {
		for c := range s.Window.Columns {
			move := free
			if c == 0 {
				p.add(free, Pin{Kind: PinRow, Value: uint64(s.Window.Row + r*s.Window.RowStep)})
				move += rowStep
			}
			p.add(move, Pin{Kind: PinColumn, Value: uint64(s.Window.Column + c*s.Window.ColumnStep)})
			p.add(t.SampleAt(r, c), Pin{Kind: PinSample, Value: lanes})
			free = t.SampleAt(r, c) + busy
		}
	}
}

func (p *planned) clocked(s *bus.Scan) {
	t := s.Timing(p.a)
	busy, lanes := p.busy(s)
	class := p.a.Chips[s.Chips[0]].Class
	step, rowStep := p.a.StepTime(class), p.a.Up(class.Spec.GetReadout().GetRowStep().AsDuration())
	free, pulses := time.Duration(0), 0
	for r := range s.Window.Rows {
		for c := range s.Window.Columns {
			pixel := (s.Window.Row+r*s.Window.RowStep)*class.Columns + s.Window.Column + c*s.Window.ColumnStep
			for ; pulses <= pixel; pulses++ {
				if pulses > 0 && pulses%class.Columns == 0 {
					free += rowStep
				}
				p.add(free, Pin{Kind: PinClock})
				free += step
			}
			p.add(t.SampleAt(r, c), Pin{Kind: PinSample, Value: lanes})
			free = t.SampleAt(r, c) + busy
		}
	}
}
