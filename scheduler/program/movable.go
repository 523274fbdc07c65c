package program

import (
	"fmt"
	"math"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Parameter is what a slot of a task gives: something of a view that may be set between jobs.
type Parameter struct {
	View int // index into Task.Views
	// Field is that of the schema's Movable.
	Field string
}

// The fields of parameters.
const (
	RowField        = "row"
	ColumnField     = "column"
	PixelBiasField  = "pixel_bias"
	OutputBiasField = "output_bias"
	GainField       = "gain_index"
	OffsetField     = "offset"
	ExposureField   = "exposure" // in nanoseconds
	ActiveField     = "active"   // 0 or 1
)

// registerFields are the fields of registers, by register.
var registerFields = map[facetdv1.Register]string{
	chipmodel.PixelBias: PixelBiasField, chipmodel.OutputBias: OutputBiasField,
	chipmodel.Gain: GainField, chipmodel.Offset: OffsetField,
}

// signed is the value of a register as the schema has it: offsets have a sign.
func signed(rv bus.RegisterValue) int {
	if rv.Register == chipmodel.Offset {
		return int(int8(uint8(rv.Value)))
	}
	return int(rv.Value)
}

// movable checks what of a view may be set between jobs and gives each its slot. views are those before it.
func (c *checker) movable(path string, spec *facetdv1.Movable, v *View, class *chipmodel.Class, views []View) {
	v.slow = v.outputBias()
	if class.HasMemory() && len(views) > 0 { // all views show one load
		v.shareBias(&views[0])
		if spec.GetPixelBias() != nil {
			c.add(path+".pixel_bias", "only the first view can say this: all views show one load, which is made under "+
				"one bias", "leave it out here")
		}
	}
	if spec == nil {
		return
	}
	if c.onDemand {
		c.add(path, "an on-demand capture has no jobs between which something could be set", "leave it out")
		return
	}
	w := v.Window
	v.RowSlot = c.windowSlot(path, len(views), RowField, v.Name, spec.GetRow(), w.Row,
		class.Rows-(w.Rows-1)*w.RowStep-1)
	v.ColumnSlot = c.windowSlot(path, len(views), ColumnField, v.Name, spec.GetColumn(), w.Column,
		class.Columns-(w.Columns-1)*w.ColumnStep-1)
	if spec.GetActive() {
		c.slots = append(c.slots, bus.Slot{Name: v.Name + "." + ActiveField, High: 1, Default: 1})
		c.parameters = append(c.parameters, Parameter{len(views), ActiveField})
		v.ActiveSlot = len(c.slots)
	}
	given := map[facetdv1.Register]*facetdv1.Bounds{
		chipmodel.PixelBias: spec.GetPixelBias(), chipmodel.OutputBias: spec.GetOutputBias(),
		chipmodel.Gain: spec.GetGainIndex(), chipmodel.Offset: spec.GetOffset(),
	}
	for i, rv := range v.Trim {
		b := given[rv.Register]
		delete(given, rv.Register)
		if b == nil || rv.Register == chipmodel.PixelBias && class.HasMemory() && len(views) > 0 {
			continue
		}
		v.trimSlot(i, c.registerSlot(path, len(views), v.Name, b, rv, class))
		if rv.Register == chipmodel.OutputBias {
			v.slow = uint16(uint8(b.GetLow()))
			c.slow(path+"."+OutputBiasField+".low", class, v.slow)
		}
	}
	for r := range registerFields {
		if given[r] != nil {
			c.addf(path+"."+registerFields[r], "leave it out", "chips of class %q have no such register (%s)",
				class.Name,
				class.Parts())
		}
	}
}

// windowSlot checks the bounds of the first row or column of a window, which is at most most.
func (c *checker) windowSlot(path string, view int, field, name string, b *facetdv1.Bounds, now, most int) int {
	if b == nil {
		return 0
	}
	path += "." + field
	if int(b.GetHigh()) > most {
		c.addf(path+".high", fmt.Sprintf("use at most %d, or a smaller window", most),
			"from %s %d on the window leaves the lattice", field, b.GetHigh())
		return 0
	}
	return c.slot(path, view, field, name, b, now, 0)
}

// registerSlot checks the bounds of a register.
func (c *checker) registerSlot(path string, view int, name string, b *facetdv1.Bounds, rv bus.RegisterValue,
	class *chipmodel.Class) int {
	field := registerFields[rv.Register]
	path += "." + field
	least, most := 0, 255
	switch rv.Register {
	case chipmodel.Gain:
		most = len(class.Spec.GetAmplifier().GetGains()) - 1
	case chipmodel.Offset:
		least, most = -128, 127
	}
	if int(b.GetHigh()) > most {
		c.addf(path+".high", fmt.Sprintf("use at most %d", most), "%d is out of range", b.GetHigh())
		return 0
	}
	return c.slot(path, view, field, name, b, signed(rv), least)
}

// slot makes a slot of bounds that are not too high, and returns its number; 0 where they are wrong.
func (c *checker) slot(path string, view int, field, name string, b *facetdv1.Bounds, now, least int) int {
	low, high := int(b.GetLow()), int(b.GetHigh())
	switch {
	case low < least:
		c.addf(path+".low", fmt.Sprintf("use %d or more", least), "%d is out of range", low)
	case high < low:
		c.addf(path+".high", "give low first", "the bounds %d to %d have nothing between them", low, high)
	case now < low || now > high:
		c.addf(path, "widen the bounds, or change where it begins",
			"the value that it has at first, %d, is not within %d "+
				"to %d", now, low, high)
	default:
		c.slots = append(c.slots, bus.Slot{Name: name + "." + field, Low: low, High: high, Default: now})
		c.parameters = append(c.parameters, Parameter{view, field})
		return len(c.slots)
	}
	return 0
}

// outputBias is the value of the output bias register; 0 where there is none.
func (v *View) outputBias() uint16 {
	for _, r := range v.Trim {
		if r.Register == chipmodel.OutputBias {
			return r.Value
		}
	}
	return 0
}

// trimSlot says that a slot gives one of the values of Trim.
func (v *View) trimSlot(i, slot int) {
	if slot == 0 {
		return
	}
	if v.TrimSlots == nil {
		v.TrimSlots = make([]int, len(v.Trim))
	}
	v.TrimSlots[i] = slot
}

// shareBias has a view of one load take the pixel bias from the slot of the first view, where it has one.
func (v *View) shareBias(first *View) {
	for i, rv := range v.Trim {
		if rv.Register == chipmodel.PixelBias {
			v.trimSlot(i, first.slotOf(i))
		}
	}
}

// slotOf is the slot of one of the values of Trim; 0 is none.
func (v *View) slotOf(i int) int {
	if v.TrimSlots == nil {
		return 0
	}
	return v.TrimSlots[i]
}

// trimActions writes a view's registers of biases and amplifier.
func (v *View) trimActions(slots []bus.Slot, wanted func(facetdv1.Register) bool) []bus.Action {
	var out []bus.Action
	for i, rv := range v.Trim {
		switch slot := v.slotOf(i); {
		case !wanted(rv.Register):
		case slot > 0:
			out = append(out, bus.SlotAction(rv.Register, slot, slots))
		default:
			out = append(out, bus.Write(rv.Register, rv.Value))
		}
	}
	return out
}

// biasMoves reports whether the pixel bias may be set between jobs.
func (t *Task) biasMoves() bool {
	for i, rv := range t.Views[0].Trim {
		if rv.Register == chipmodel.PixelBias && t.Views[0].slotOf(i) > 0 {
			return true
		}
	}
	return false
}

// GreatestGain is the largest gain of the amplifier, by size, that a view of the task may be read with; 1 without one.
func (t *Task) GreatestGain() float64 {
	greatest := 0.0
	for k := range t.Views {
		v := &t.Views[k]
		for i, rv := range v.Trim {
			if rv.Register != chipmodel.Gain {
				continue
			}
			low, high := int(rv.Value), int(rv.Value)
			if slot := v.slotOf(i); slot > 0 {
				low, high = t.Slots[slot-1].Low, t.Slots[slot-1].High
			}
			for index := low; index <= high; index++ {
				greatest = max(greatest, math.Abs(t.Class.Gain(index)))
			}
		}
	}
	if greatest == 0 {
		return 1
	}
	return greatest
}

// shifted are views whose slots come after others of the same task.
func shifted(views []View, by int) []View {
	out := make([]View, len(views))
	up := func(slot int) int {
		if slot == 0 {
			return 0
		}
		return slot + by
	}
	for i, v := range views {
		v.RowSlot, v.ColumnSlot, v.ExposureSlot = up(v.RowSlot), up(v.ColumnSlot), up(v.ExposureSlot)
		v.ActiveSlot = up(v.ActiveSlot)
		if v.TrimSlots != nil {
			moved := make([]int, len(v.TrimSlots))
			for k, s := range v.TrimSlots {
				moved[k] = up(s)
			}
			v.TrimSlots = moved
		}
		out[i] = v
	}
	return out
}

// Slot is the number of the slot of a parameter, by the name of its view; 0 where it may not be set.
func (t *Task) Slot(view, field string) int {
	for i, p := range t.Parameters {
		if t.Views[p.View].Name == view && p.Field == field {
			return i + 1
		}
	}
	return 0
}

// Shows reports whether frame sets have frames of a view, with values of the task's slots.
func (t *Task) Shows(view int, values []int) bool {
	slot := t.Views[view].ActiveSlot
	return slot == 0 || values == nil || values[slot-1] > 0
}

// TrimMessage is values of the registers of biases and amplifier in the schema's form; nil for none.
func TrimMessage(values []bus.RegisterValue) *facetdv1.TrimSettings {
	if len(values) == 0 {
		return nil
	}
	out := &facetdv1.TrimSettings{}
	for _, rv := range values {
		switch rv.Register {
		case chipmodel.PixelBias:
			out.PixelBias = proto.Uint32(uint32(rv.Value))
		case chipmodel.OutputBias:
			out.OutputBias = proto.Uint32(uint32(rv.Value))
		case chipmodel.Gain:
			out.GainIndex = uint32(rv.Value)
		case chipmodel.Offset:
			out.Offset = int32(signed(rv))
		}
	}
	return out
}

// Active is the window of a view and the values of its registers of biases and amplifier, with values of the task's
// slots; no values are the defaults.
func (t *Task) Active(view int, values []int) (chipmodel.Window, []bus.RegisterValue) {
	v := &t.Views[view]
	w, trim := v.Window, v.Trim
	if values == nil {
		return w, trim
	}
	if v.RowSlot > 0 {
		w.Row = values[v.RowSlot-1]
	}
	if v.ColumnSlot > 0 {
		w.Column = values[v.ColumnSlot-1]
	}
	if v.TrimSlots == nil {
		return w, trim
	}
	out := make([]bus.RegisterValue, len(trim))
	for i, rv := range trim {
		if s := v.TrimSlots[i]; s > 0 {
			rv.Value = uint16(uint8(values[s-1]))
		}
		out[i] = rv
	}
	return w, out
}
