package bus_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// slotted is a program that reads a window of the counter chip with an amplifier, under an offset; both move.
func slotted(a *chipmodel.Array) *bus.Program {
	slots := []bus.Slot{{Name: "row", Low: 0, High: 2, Default: 1}, {Name: "offset", Low: -20, High: 30, Default: -3}}
	b := bus.NewBuilder(a, slots...)
	b.Select(G | X1)
	b.Do(bus.SlotAction(chipmodel.Offset, 2, slots), []int{T0})
	b.Do(bus.Write(chipmodel.OutputEnable, 1), []int{T0})
	b.Do(bus.Strobe(chipmodel.Reset), []int{T0})
	b.Read(bus.Scan{Chips: []int{T0}, Frames: []int{0}, RowSlot: 1,
		Window: chipmodel.Window{Row: 1, Rows: 1, Columns: 2, RowStep: 1, ColumnStep: 1},
		Claim: bus.Claim{Slots: []int{2},
			Registers: []bus.RegisterValue{{Register: chipmodel.Offset, Value: 0xfd}}}})
	b.Do(bus.Write(chipmodel.OutputEnable, 0), []int{T0})
	return &bus.Program{Ops: b.Take(), Slots: slots}
}

// TestFill: values go where the slots are, and nowhere else; what does not depend on them is shared, and the program
// itself stays as it is.
func TestFill(t *testing.T) {
	a := MustArray()
	p := slotted(a)
	if err := bus.CheckProgram(a, p); err != nil {
		t.Fatal(err)
	}
	total := bus.CostOf(a, p.Ops).Total()
	for _, v := range [][]int{{0, -20}, {1, -3}, {2, 30}} {
		ops := bus.Fill(nil, p.Ops, p.Slots, v)
		write, scan := ops[1], ops[4].Scan
		if write.Value != uint16(uint8(v[1])) || scan.Window.Row != v[0] ||
			scan.Claim.Registers[0].Value != write.Value {
			t.Errorf("with %v: offset %d, window %+v, claim %v", v, write.Value, scan.Window, scan.Claim)
		}
		if got := bus.CostOf(a, ops).Total(); got != total {
			t.Errorf("with %v the program takes %v, with others %v", v, got, total)
		}
	}
	if p.Ops[4].Scan.Window.Row != 1 || p.Ops[1].Value != 0xfd || p.Ops[4].Scan.Claim.Registers[0].Value != 0xfd {
		t.Error("filling changed the program")
	}
	if ops := bus.Fill(nil, p.Ops, p.Slots, nil); ops[4].Scan != p.Ops[4].Scan {
		t.Error("without values the operations are others")
	}
	// The furthest window decides how long it lasts.
	far := bus.Fill(nil, p.Ops, p.Slots, []int{2, 0})[4]
	far.Lasts = 0
	if got := bus.Cost(a, &far).Total(); got != p.Ops[4].Lasts {
		t.Errorf("the furthest window takes %v, the operation lasts %v", got, p.Ops[4].Lasts)
	}
}

// TestValuesOutsideTheirBounds are refused, each with its slot and its bounds.
func TestValuesOutsideTheirBounds(t *testing.T) {
	slots := slotted(MustArray()).Slots
	for _, good := range [][]int{nil, {0, -20}, {2, 30}} {
		if err := bus.CheckValues(slots, good); err != nil {
			t.Errorf("%v: %v", good, err)
		}
	}
	for _, bad := range [][]int{{-1, 0}, {3, 0}, {0, 31}, {0, -21}} {
		var outside *bus.ValueError
		if err := bus.CheckValues(slots, bad); !errors.As(err, &outside) || !slices.Contains(bad, outside.Value) {
			t.Errorf("%v: %v", bad, err)
		}
	}
	if err := bus.CheckValues(slots, []int{3, 31}); err == nil || strings.Count(err.Error(), "\n") != 1 {
		t.Errorf("two wrong values: %v", err)
	}
	if err := bus.CheckValues(slots, []int{0}); err == nil {
		t.Error("one value for two slots was taken")
	}
}

// TestProgramsThatCouldNotRunWithEveryValue are refused before any value is given.
func TestProgramsThatCouldNotRunWithEveryValue(t *testing.T) {
	a := MustArray()
	for _, c := range []struct {
		name, says string
		change     func(p *bus.Program)
	}{
		{"a window beyond the lattice", "leaves the lattice", func(p *bus.Program) { p.Slots[0].High = 100 }},
		{"a window before it", "leaves the lattice", func(p *bus.Program) { p.Slots[0].Low = -1 }},
		{"bounds the wrong way round", "not possible", func(p *bus.Program) { p.Slots[0].Low = 2 }},
		{"a default outside", "not possible", func(p *bus.Program) { p.Slots[1].Default = 99 }},
		{"no such slot", "no slot 7", func(p *bus.Program) { p.Ops[1].Slot = 7 }},
		{"an output", "cannot be given by a slot", func(p *bus.Program) { p.Ops[2].Slot = 2 }},
		{"a strobe", "takes no value", func(p *bus.Program) { p.Ops[3].Slot = 2 }},
		{"too big for a register", "does not fit", func(p *bus.Program) { p.Slots[1].High = 256 }},
		{"too short for the furthest window", "said to last", func(p *bus.Program) { p.Ops[4].Lasts -= 1 }},
		{"a claim of too much", "more slots than registers",
			func(p *bus.Program) { p.Ops[4].Scan.Claim.Slots = []int{2, 2} }},
		{"a length that no bus keeps", "cannot last", func(p *bus.Program) { p.Ops[0].Lasts = 2 * time.Hour }},
	} {
		p := slotted(a)
		c.change(p)
		if err := bus.CheckProgram(a, p); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}
