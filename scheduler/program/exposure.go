package program

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// exposure checks what a view says of the exposure of its load, fixed or movable, and gives it its slot. views are
// those before it: all show one load, so that only the first can say it.
func (c *checker) exposure(path string, spec *facetdv1.View, v *View, class *chipmodel.Class, views []View) {
	fixed, bounds := spec.GetExposure(), spec.GetMovable().GetExposure()
	said := path + ".exposure"
	if fixed == nil {
		said = path + ".movable.exposure"
	}
	switch {
	case fixed == nil && bounds == nil:
		if len(views) > 0 && class.HasMemory() {
			v.Exposure, v.ExposureSlot = views[0].Exposure, views[0].ExposureSlot
		}
		return
	case class.Spec.GetLinear() == nil:
		c.addf(said, "leave it out", "chips of class %q have logarithmic pixels, which follow the light and have no "+
			"exposure (%s)", class.Name, class.Parts())
		return
	case !class.HasShutter():
		c.addf(said, "leave it out, or describe the shutter in the array file", "chips of class %q expose for %v by "+
			"themselves: they have no shutter that the bus could begin an exposure with (%s)", class.Name,
			class.Exposure(), class.Parts())
		return
	case len(views) > 0:
		c.add(said, "only the first view can say this: all views show one load, of one exposure", "leave it out here")
		return
	}
	v.Exposure = c.a.Up(class.Exposure())
	if fixed != nil {
		v.Exposure = c.exposed(path+".exposure", fixed, class)
	}
	if bounds != nil && !c.onDemand { // of which movable is refused as a whole
		v.ExposureSlot = c.exposureSlot(path+".movable.exposure", v, bounds, class)
	}
}

// exposed checks one exposure and rounds it up to the grain of the bus; 0 where it is wrong. What the longest is
// rounded up to is taken as well: an exposure that is told may be asked for again.
func (c *checker) exposed(path string, d *durationpb.Duration, class *chipmodel.Class) time.Duration {
	least, most := c.shutter(class)
	switch v := d.AsDuration(); {
	case d == nil:
		c.add(path, "is missing", fmt.Sprintf("give a time from %v to %v", least, most))
	case d.CheckValid() != nil || v < least || v > c.a.Up(most):
		c.addf(path, fmt.Sprintf("use %v to %v", least, most), "chips of class %q cannot be exposed for %v", class.Name,
			v)
	default:
		return c.a.Up(v)
	}
	return 0
}

// shutter is the shortest and the longest exposure that a bus can time: the strobe that begins it takes its time, too.
func (c *checker) shutter(class *chipmodel.Class) (least, most time.Duration) {
	s := class.Spec.GetLinear().GetShutter()
	return max(s.GetLeast().AsDuration(), c.a.StrobeTime()), s.GetMost().AsDuration()
}

// exposureSlot checks the bounds of an exposure and gives it a slot.
func (c *checker) exposureSlot(path string, v *View, b *facetdv1.ExposureBounds, class *chipmodel.Class) int {
	low, high := c.exposed(path+".low", b.GetLow(), class), c.exposed(path+".high", b.GetHigh(), class)
	switch {
	case low == 0 || high == 0 || v.Exposure == 0:
	case high < low:
		c.addf(path+".high", "give low first", "the bounds %v to %v have nothing between them", low, high)
	case time.Duration(int(high)) != high: // of 32 bits, in which slots then have their values
		c.addf(path+".high", "give at most 2s",
			"an exposure that moves up to %v is more than a daemon built for 32 bits "+
				"can time", high)
	case v.Exposure < low || v.Exposure > high:
		c.addf(path, "widen the bounds, or give the view an exposure within them",
			"the exposure that it has at first, %v, is not within %v to %v", v.Exposure, low, high)
	default:
		c.slots = append(c.slots, bus.Slot{Name: v.Name + "." + ExposureField, Low: int(low), High: int(high),
			Default: int(v.Exposure), Step: int(c.a.Grain())})
		c.parameters = append(c.parameters, Parameter{0, ExposureField})
		return len(c.slots)
	}
	return 0
}

// Exposed is for how long the pixels of a view's frames gather light, with values of the task's slots, where nil is the
// defaults; 0 where they follow it.
func (t *Task) Exposed(view int, values []int) time.Duration {
	v := &t.Views[view]
	if v.ExposureSlot > 0 && values != nil {
		return time.Duration(values[v.ExposureSlot-1])
	}
	return v.Exposed(t.Class)
}

// Exposed is for how long the pixels of a view's frames gather light on chips of a class, unless a slot says it.
func (v *View) Exposed(class *chipmodel.Class) time.Duration {
	if v.Exposure > 0 {
		return v.Exposure
	}
	return class.Exposure()
}
