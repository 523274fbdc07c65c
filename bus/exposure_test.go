package bus_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// exposed is a program that exposes, loads and reads a memory chip; the exposure moves.
func exposed(a *chipmodel.Array) *bus.Program {
	slots := []bus.Slot{{Name: "exposure", Low: 2000, High: 50_000, Default: 10_000, Step: int(a.Grain())}}
	b := bus.NewBuilder(a, slots...)
	b.Select(F | X0)
	b.Do(bus.Expose(10*time.Microsecond, 1), []int{M0})
	b.Do(bus.Strobe(chipmodel.Load), []int{M0})
	b.Do(bus.Write(chipmodel.OutputEnable, 1), []int{M0})
	b.Read(bus.Scan{Chips: []int{M0}, Frames: []int{0}, Window: chipmodel.Window{Rows: 1, Columns: 2, RowStep: 1,
		ColumnStep: 1}, Claim: bus.Claim{Exposure: 10 * time.Microsecond, ExposureSlot: 1}})
	b.Do(bus.Write(chipmodel.OutputEnable, 0), []int{M0})
	return &bus.Program{Ops: b.Take(), Slots: slots}
}

// TestAnExposureMovesItsBeginning: whatever its length, the operation lasts as long as the longest, all of it counts as
// load, and operation and claim have the value.
func TestAnExposureMovesItsBeginning(t *testing.T) {
	a := MustLinearArray()
	p := exposed(a)
	if err := bus.CheckProgram(a, p); err != nil {
		t.Fatal(err)
	}
	if p.Ops[1].Lasts != 50*time.Microsecond {
		t.Errorf("it lasts %v", p.Ops[1].Lasts)
	}
	for _, v := range []int{2000, 33_333, 50_000} {
		ops := bus.Fill(nil, p.Ops, p.Slots, []int{v})
		cost := bus.Cost(a, &ops[1])
		if cost.Total() != 50*time.Microsecond || cost[facetdv1.Phase_PHASE_LOAD] != cost.Total() {
			t.Errorf("with %d it costs %v", v, cost)
		}
		if ops[1].Hold != time.Duration(v) || ops[4].Scan.Claim.Exposure != time.Duration(v) {
			t.Errorf("with %d: an exposure of %v, claimed %v", v, ops[1].Hold, ops[4].Scan.Claim.Exposure)
		}
		if bus.CostOf(a, ops).Total() != bus.CostOf(a, p.Ops).Total() {
			t.Errorf("with %d the program takes %v", v, bus.CostOf(a, ops).Total())
		}
	}
	if p.Ops[1].Hold != 10*time.Microsecond || p.Ops[4].Scan.Claim.Exposure != 10*time.Microsecond {
		t.Error("filling changed the program")
	}
}

// TestExposuresThatCouldNotRun are refused before any value is given, and values between two steps when they are.
func TestExposuresThatCouldNotRun(t *testing.T) {
	a, err := MustLinearArray().OnGrain(100)
	if err != nil {
		t.Fatal(err)
	}
	minute := time.Minute // no constant: an int of 32 bits does not hold it
	for _, c := range []struct {
		name, says string
		change     func(p *bus.Program)
	}{
		{"as it is", "", func(*bus.Program) {}},
		{"shorter than a strobe", "not possible", func(p *bus.Program) { p.Slots[0].Low = 400 }},
		{"longer than a minute", "not possible", func(p *bus.Program) { p.Slots[0].High = int(minute) + 100 }},
		{"steps below the grain", "the grain", func(p *bus.Program) { p.Slots[0].Step = 50 }},
		{"a bound between two steps", "not possible", func(p *bus.Program) { p.Slots[0].High = 50_050 }},
		{"too short for the longest", "said to last", func(p *bus.Program) { p.Ops[1].Lasts -= 100 }},
		{"of another strobe", "takes no value", func(p *bus.Program) { p.Ops[2].Slot = 1 }},
		{"a claim of no slot", "no slot 2", func(p *bus.Program) { p.Ops[4].Scan.Claim.ExposureSlot = 2 }},
	} {
		p := exposed(a)
		c.change(p)
		err := bus.CheckProgram(a, p)
		if (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	slots := exposed(a).Slots
	var between *bus.ValueError
	if err := bus.CheckValues(slots, []int{2050}); !errors.As(err, &between) ||
		!strings.Contains(err.Error(), "no multiple of 100") {
		t.Errorf("between two steps: %v", err)
	}
	if got := slots[0].Up(2001); got != 2100 || bus.CheckValues(slots, []int{int(got)}) != nil {
		t.Errorf("rounded up to %d", got)
	}
}

// TestExposuresAtTheirEnds: the shortest and the longest that any bus can time, and those just beyond; what begins
// without a slot needs no value.
func TestExposuresAtTheirEnds(t *testing.T) {
	a, err := MustLinearArray().OnGrain(7) // 504 ns a strobe, and a minute and 4 ns
	if err != nil {
		t.Fatal(err)
	}
	for exposure, good := range map[time.Duration]bool{497: false, 504: true, 511: true, 505: false,
		time.Minute: false, time.Minute + 4: true, time.Minute + 11: false} {
		op := Strobe(1, chipmodel.Expose, exposure, M0)
		err := bus.CheckProgram(a, &bus.Program{Ops: []bus.Op{Select(F | X0), op}})
		if (err == nil) != good {
			t.Errorf("%v: %v", exposure, err)
		}
		if cost := bus.WorstCost(a, &op, nil); good && cost != exposure {
			t.Errorf("%v costs %v", exposure, cost)
		}
	}
	for high, good := range map[time.Duration]bool{time.Minute + 4: true, time.Minute + 11: false} {
		if time.Duration(int(high)) != high {
			continue // of 32 bits
		}
		p := exposed(a)
		p.Slots[0] = bus.Slot{Name: "exposure", Low: 2002, High: int(high), Default: 10_003, Step: 7}
		p.Ops[1].Hold, p.Ops[1].Lasts, p.Ops[4].Scan.Claim.Exposure = 10_003, high, 10_003
		if err := bus.CheckProgram(a, p); (err == nil) != good {
			t.Errorf("one that moves up to %v: %v", high, err)
		}
	}
	load := Strobe(1, chipmodel.Load, 0, M0)
	own := bus.Cost(a, &load)
	load.Lasts = own.Total() + 700
	if cost := bus.Cost(a, &load); cost[facetdv1.Phase_PHASE_SETTLE] != 700 ||
		cost[facetdv1.Phase_PHASE_LOAD] != own[facetdv1.Phase_PHASE_LOAD] {
		t.Errorf("a load that lasts longer costs %v, by itself %v", cost, own)
	}
}

// TestStepsOfASlot: rounding up leaves what is on a step, and no step is one of 1.
func TestStepsOfASlot(t *testing.T) {
	for _, c := range []struct {
		step     int
		value    int64
		up       int64
		multiple bool
	}{
		{0, 5, 5, true}, {1, 5, 5, true}, {2, 5, 6, false}, {2, 6, 6, true}, {100, 1, 100, false},
		{100, 100, 100, true},
		{100, 199, 200, false}, {7, 60_000_000_000, 60_000_000_004, false},
	} {
		s := bus.Slot{Step: c.step}
		if int64(int(c.up)) != c.up {
			continue // of 32 bits
		}
		if got := s.Up(c.value); got != c.up || s.Fits(int(c.value)) != c.multiple || !s.Fits(int(c.up)) {
			t.Errorf("%d in steps of %d: up %d, fits %v", c.value, c.step, got, s.Fits(int(c.value)))
		}
	}
}
