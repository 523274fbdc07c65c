package bus

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// Slot is a value of a program that is given anew with every run of it: what a register holds, where a window begins,
// or how long an exposure is, in nanoseconds. Its bounds are part of the program, so that it is planned and checked
// once for all values between them. The operations of a program are written for the default values of its slots; they
// refer to slots by their numbers, which count from 1, and 0 is none.
//
// Every operation that refers to a slot lasts as long as it takes with the costliest values (Op.Lasts), whatever the
// values are: what comes after it comes when it was planned. An exposure that is shorter than the longest begins later.
type Slot struct {
	// Name is for messages.
	Name string
	// Low and High are the bounds, both included, Default is between them.
	Low, High, Default int
	// Step is what every value is a multiple of; 0 is 1.
	Step int
}

// Fits reports whether a value is on the steps of a slot. Up is the first from a value on that is.
func (s *Slot) Fits(value int) bool { return s.Step <= 1 || value%s.Step == 0 }

// Up is explained at Fits.
func (s *Slot) Up(value int64) int64 {
	step := int64(max(s.Step, 1))
	return (value + step - 1) / step * step
}

// ValueError says that a value given for a slot is outside its bounds, or between its steps.
type ValueError struct {
	Slot  Slot
	Value int
}

func (e *ValueError) Error() string {
	if !e.Slot.Fits(e.Value) {
		return fmt.Sprintf("%s cannot be %d: it is no multiple of %d", e.Slot.Name, e.Value, e.Slot.Step)
	}
	return fmt.Sprintf("%s cannot be %d: its bounds are %d to %d", e.Slot.Name, e.Value, e.Slot.Low, e.Slot.High)
}

// CheckValues reports values that do not suit slots: one for each, within its bounds and on its steps. No values at all
// stand for the defaults. Errors: *ValueError for each that is outside or between, joined; another for a wrong number
// of them.
func CheckValues(slots []Slot, values []int) error {
	if values == nil {
		return nil
	}
	if len(values) != len(slots) {
		return fmt.Errorf("%d values for %d slots", len(values), len(slots))
	}
	var errs []error
	for i, v := range values {
		if v < slots[i].Low || v > slots[i].High || !slots[i].Fits(v) {
			errs = append(errs, &ValueError{slots[i], v})
		}
	}
	return errors.Join(errs...)
}

// UsesSlots reports whether an operation depends on the value of any slot.
func (op *Op) UsesSlots() bool {
	if op.Scan == nil {
		return op.Slot > 0
	}
	return op.Scan.RowSlot > 0 || op.Scan.ColumnSlot > 0 || op.Scan.Claim.ExposureSlot > 0 ||
		slices.ContainsFunc(op.Scan.Claim.Slots, func(s int) bool { return s > 0 })
}

// Fill appends operations to dst as they are with the values of slots, which CheckValues has passed. No values stand
// for the defaults. What is appended shares with ops whatever does not depend on a slot.
func Fill(dst, ops []Op, slots []Slot, values []int) []Op {
	first := len(dst)
	dst = append(dst, ops...)
	if values == nil {
		return dst
	}
	for i := range dst[first:] {
		dst[first+i].fill(slots, values)
	}
	return dst
}

// fill gives one operation the values of its slots.
func (op *Op) fill(slots []Slot, values []int) {
	if !op.UsesSlots() {
		return
	}
	switch {
	case op.Slot > 0 && op.Kind == OpStrobe:
		op.Hold = time.Duration(values[op.Slot-1])
	case op.Slot > 0:
		op.Value = registerValue(values[op.Slot-1])
	}
	if op.Scan == nil {
		return
	}
	s := *op.Scan
	s.Window.Row += moved(s.RowSlot, slots, values)
	s.Window.Column += moved(s.ColumnSlot, slots, values)
	s.Claim.Registers = slices.Clone(s.Claim.Registers)
	for i, slot := range s.Claim.Slots {
		if slot > 0 {
			s.Claim.Registers[i].Value = registerValue(values[slot-1])
		}
	}
	if s.Claim.ExposureSlot > 0 {
		s.Claim.Exposure = time.Duration(values[s.Claim.ExposureSlot-1])
	}
	op.Scan = &s
}

// moved is by how much a slot's value is above the default, for which the operations are written.
func moved(slot int, slots []Slot, values []int) int {
	if slot == 0 {
		return 0
	}
	return values[slot-1] - slots[slot-1].Default
}

// registerValue is the value of an 8-bit register, of which some hold a sign.
func registerValue(v int) uint16 { return uint16(uint8(v)) }

// SlotAction is the action that writes a register whose value a slot gives.
func SlotAction(r facetdv1.Register, slot int, slots []Slot) Action {
	return Action{Register: r, Value: registerValue(slots[slot-1].Default), Slot: slot}
}

// worst is an operation with the values of its slots that take it longest. Registers are written in the same time
// whatever the value; a window of a counter takes longer the further it lies from the first pixel, one of an address is
// read in the same time anywhere; the longest exposure takes longest.
func (op *Op) worst(slots []Slot) Op {
	out := *op
	if op.Slot > 0 && op.Kind == OpStrobe {
		out.Hold = time.Duration(slots[op.Slot-1].High)
	}
	if op.Scan == nil {
		return out
	}
	s := *op.Scan
	highest := func(slot int) int {
		if slot == 0 {
			return 0
		}
		return slots[slot-1].High - slots[slot-1].Default
	}
	s.Window.Row += highest(s.RowSlot)
	s.Window.Column += highest(s.ColumnSlot)
	out.Scan = &s
	return out
}

// Extremes are a readout at the least and at the greatest values of its slots.
func Extremes(s *Scan, slots []Slot) (least, greatest *Scan) {
	if s.RowSlot == 0 && s.ColumnSlot == 0 {
		return s, s
	}
	near := *s
	near.Window.Row += lowest(s.RowSlot, slots)
	near.Window.Column += lowest(s.ColumnSlot, slots)
	op := Op{Scan: s}
	return &near, op.worst(slots).Scan
}

// WorstCost is the bus time that an operation needs with the costliest values of its slots.
func WorstCost(a *chipmodel.Array, op *Op, slots []Slot) time.Duration {
	w := op.worst(slots)
	w.Lasts = 0
	return Cost(a, &w).Total()
}

// CheckProgram reports everything for which a program could never run; see CheckOps and CheckSlots.
func CheckProgram(a *chipmodel.Array, p *Program) error {
	if err := CheckOps(a, p.Ops); err != nil {
		return err
	}
	return CheckSlots(a, p.Ops, p.Slots)
}

// CheckSlots reports everything for which operations with slots could not run with every value within the bounds: a
// window that leaves its lattice, a register that no slot may give, an operation that may take longer than it is said
// to last. The operations themselves have passed CheckOps.
func CheckSlots(a *chipmodel.Array, ops []Op, slots []Slot) error {
	var errs []error
	for i, s := range slots {
		if s.Low > s.Default || s.Default > s.High || s.Low < math.MinInt8 ||
			time.Duration(s.High) > a.Up(chipmodel.MaxExposure) ||
			!s.Fits(s.Low) || !s.Fits(s.Default) || !s.Fits(s.High) {
			errs = append(errs, fmt.Errorf("slot %d, %s: bounds of %d to %d with a default of %d are not possible", i+1,
				s.Name, s.Low, s.High, s.Default))
		}
	}
	if errs != nil {
		return errors.Join(errs...)
	}
	for i := range ops {
		if err := checkSlots(a, &ops[i], slots); err != nil {
			errs = append(errs, fmt.Errorf("operation %d: %w", i, err))
		}
	}
	return errors.Join(errs...)
}

func checkSlots(a *chipmodel.Array, op *Op, slots []Slot) error {
	used := []int{op.Slot}
	if op.Scan != nil {
		used = append(used, op.Scan.RowSlot, op.Scan.ColumnSlot, op.Scan.Claim.ExposureSlot)
		used = append(used, op.Scan.Claim.Slots...)
	}
	for _, s := range used {
		if s < 0 || s > len(slots) {
			return fmt.Errorf("there is no slot %d", s)
		}
	}
	switch {
	case op.Slot > 0 && op.Kind == OpStrobe && op.Strobe == chipmodel.Expose:
		s := slots[op.Slot-1]
		if s.Low < int(a.StrobeTime()) || !a.OnGrid(time.Duration(max(s.Step, 1))) {
			return fmt.Errorf("%s from %v on in steps of %v is not possible: a strobe takes %v, and the grain of "+
				"the bus is %v", s.Name, time.Duration(s.Low), time.Duration(max(s.Step, 1)), a.StrobeTime(), a.Grain())
		}
	case op.Slot > 0 && op.Kind != OpWrite:
		return fmt.Errorf("a %s takes no value of a slot", op.Kind)
	case op.Slot > 0 && !slotRegister(op.Register):
		return fmt.Errorf("the %s register cannot be given by a slot: how long a job takes, or what drives a lane, "+
			"would depend on it", RegisterName(op.Register))
	case op.Slot > 0 && slots[op.Slot-1].High > math.MaxUint8:
		return fmt.Errorf("%s does not fit into a register", slots[op.Slot-1].Name)
	case op.Scan != nil && len(op.Scan.Claim.Slots) > len(op.Scan.Claim.Registers):
		return errors.New("a claim has more slots than registers")
	}
	if op.Scan != nil {
		w := op.worst(slots).Scan.Window
		low := op.Scan.Window
		low.Row += lowest(op.Scan.RowSlot, slots)
		low.Column += lowest(op.Scan.ColumnSlot, slots)
		for _, c := range op.Scan.Chips {
			if !insideLattice(w, a.Chips[c].Class) || !insideLattice(low, a.Chips[c].Class) {
				return fmt.Errorf("within the bounds of its slots the window leaves the lattice of chip %s",
					a.Chips[c].Name)
			}
		}
	}
	if op.UsesSlots() {
		if need := WorstCost(a, op, slots); need > op.Lasts {
			return fmt.Errorf("it may take %v with values within the bounds, and is said to last %v", need, op.Lasts)
		}
	}
	return nil
}

// lowest is by how much the least value of a slot is above the default: 0 or less.
func lowest(slot int, slots []Slot) int {
	if slot == 0 {
		return 0
	}
	return slots[slot-1].Low - slots[slot-1].Default
}

// slotRegister reports whether a slot may give the value of a register.
func slotRegister(r facetdv1.Register) bool {
	return r != chipmodel.OutputEnable && r != chipmodel.ColumnPattern && r != chipmodel.RowPattern
}
