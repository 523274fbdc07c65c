package groundtruth

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
)

// Of makes the ground truth behind a simulated array from its description. Errors are
// collected with their paths.
func Of(described *chipmodel.Array, t *facetdv1.GroundTruth) (*Set, invalid.Errors) {
	msg := described.Message
	if t.GetArray() != nil {
		msg = t.GetArray()
	}
	msg = proto.CloneOf(msg)
	base, m := chipmodel.New(msg)
	if len(m) > 0 {
		return nil, m.Under("array")
	}
	out := &Set{Chips: map[int]Chip{}, Lanes: map[int]Lane{}}
	for i, c := range t.GetChips() {
		path := fmt.Sprintf("chips[%d]", i)
		chip := base.Chip(c.GetChip())
		if chip < 0 {
			m.Add(path+".chip", fmt.Sprintf("no chip is called %q", c.GetChip()), "")
			continue
		}
		for _, f := range []struct {
			name  string
			value *float64
		}{{".settle_factor", c.SettleFactor}, {".leak_factor", c.LeakFactor}} {
			if f.value != nil && !(*f.value > 0 && *f.value <= maxFactor) {
				m.Add(path+f.name, fmt.Sprintf("a factor of %g is out of range", *f.value),
					fmt.Sprintf("use one above 0, up to %d, or leave it out", maxFactor))
			}
		}
		if c.GetLoadDelayNs() < 0 || c.GetLoadDelayNs() > int64(time.Second) {
			m.Add(path+".load_delay_ns", fmt.Sprintf("a delay of %d ns is out of range", c.GetLoadDelayNs()),
				"use 0 to a second")
		}
		out.Chips[chip] = Chip{
			LoadDelay: time.Duration(c.GetLoadDelayNs()), Slip: int(c.GetSlip()), SlipAt: int(c.GetSlipAt()),
			PassedOnly: c.GetPassedOnly(),
		}
		msg.Classes = append(msg.Classes, ownClass(base, chip, c))
		msg.Chips[chip].Class = msg.Classes[len(msg.Classes)-1].Name
	}
	for i, l := range t.GetLanes() {
		found := false
		for k := range base.Lanes {
			if base.Lanes[k].Name == l.GetLane() {
				found = true
				out.Lanes[k] = Lane{FirstVolts: l.GetFirstVolts(), Rest: time.Duration(l.GetRestNs())}
			}
		}
		if !found {
			m.Add(fmt.Sprintf("lanes[%d].lane", i), fmt.Sprintf("no lane is called %q", l.GetLane()), "")
		}
	}
	if len(m) > 0 {
		return nil, m
	}
	out.Array, m = chipmodel.New(msg)
	return out, m
}

// maxFactor is the most by which anything differs from its description.
const maxFactor = 1_000_000

// ownClass makes a class for one chip that is not like the others of its class.
func ownClass(a *chipmodel.Array, chip int, c *facetdv1.ChipGroundTruth) *facetdv1.ChipClass {
	class := proto.CloneOf(a.Chips[chip].Class.Spec)
	class.Name = fmt.Sprintf("%s~%s", class.GetName(), c.GetChip())
	if f := c.SettleFactor; f != nil {
		class.Readout.Settle = durationpb.New(time.Duration(float64(a.LaneSettle(chip)) * *f))
	}
	if mem := class.GetMemory(); mem != nil && c.LeakFactor != nil {
		mem.LeakFa *= *c.LeakFactor
	}
	if l := class.GetLogarithmic(); l != nil {
		l.OffsetVolts += c.GetOffsetVolts()
	}
	if l := class.GetLinear(); l != nil {
		l.ResetVolts += c.GetOffsetVolts()
	}
	return class
}
