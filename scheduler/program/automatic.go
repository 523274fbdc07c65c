package program

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/autoexposure"
)

// Automatic is what the daemon sets of a view from job to job.
type Automatic struct {
	Law autoexposure.Config
	// Exposure, Gain and Offset are the slots that say how a job is made; 0 is none. An offset is not set beside an
	// exposure: it stays, or is set by whoever likes.
	Exposure, Gain, Offset int
}

// Sets reports whether the daemon sets a field of the view's parameters.
func (a *Automatic) Sets(field string) bool {
	if a == nil {
		return false
	}
	return field == ExposureField && a.Exposure > 0 || field == GainField && a.Gain > 0 ||
		field == OffsetField && a.setsOffset()
}

func (a *Automatic) setsOffset() bool { return a.Offset > 0 && a.Exposure == 0 }

// Made is the setting of a job, by the values of the task's slots.
func (a *Automatic) Made(values []int) autoexposure.Setting {
	s := a.Law.Low
	if a.Exposure > 0 {
		s.Exposure = time.Duration(values[a.Exposure-1])
	}
	if a.Gain > 0 {
		s.Gain = values[a.Gain-1]
	}
	if a.Offset > 0 {
		s.Offset = values[a.Offset-1]
	}
	return s
}

// Set puts a setting into the values of the task's slots, and reports whether one has changed.
func (a *Automatic) Set(values []int, s autoexposure.Setting) (changed bool) {
	set := func(slot, value int) {
		if slot > 0 && values[slot-1] != value {
			values[slot-1], changed = value, true
		}
	}
	set(a.Exposure, int(s.Exposure))
	set(a.Gain, s.Gain)
	if a.setsOffset() {
		set(a.Offset, s.Offset)
	}
	return changed
}

const (
	// defaultAveraging is over how long flicker is averaged, and longestAveraging at most: our choice, no source.
	defaultAveraging = time.Second
	longestAveraging = time.Hour
)

// automatic checks what of a view the daemon is to set. It comes after movable, which has what the view itself moves.
// wrong is how many errors there were before the view: of one that has errors nothing follows, a law least of all.
func (c *checker) automatic(path string, of *facetdv1.View, v *View, class *chipmodel.Class, wrong int) {
	spec, own := of.GetAutomatic(), of.GetMovable()
	if spec == nil {
		return
	}
	if c.onDemand {
		c.add(path, "an on-demand capture has no jobs between which something could be set", "leave it out")
		return
	}
	averaging := defaultAveraging
	if d := spec.GetAveraging(); d != nil {
		averaging = d.AsDuration()
		if d.CheckValid() != nil || averaging <= 0 || averaging > longestAveraging {
			c.addf(path+".averaging", "give a time above zero, or leave it out for a second", "%v is not a time to "+
				"average over", averaging)
		}
	}
	if level := spec.GetLevel(); !(level > 0 && level < 1) {
		c.addf(path+".level", "give a share of the range of codes, such as 0.5", "%g is not between 0 and 1", level)
	}
	if p := spec.GetPercentile(); spec.Percentile != nil && !(p > 0 && p < 100) {
		c.addf(path+".percentile", "leave it out for the mean", "%g is not between 0 and 100", p)
	}
	a := &Automatic{}
	if own.GetExposure() != nil { // other views of the load show what is set for it
		a.Exposure = v.ExposureSlot
	}
	now := map[facetdv1.Register]int{}
	for i, rv := range v.Trim {
		now[rv.Register] = signed(rv)
		switch slot := v.slotOf(i); rv.Register {
		case chipmodel.Gain:
			a.Gain = slot
		case chipmodel.Offset:
			a.Offset = slot
		}
	}
	if c.moves(path, a, class) && len(c.m) == wrong && len(c.chips) > 0 {
		a.Law = c.law(spec, a, now, averaging, class)
		c.m = append(c.m, autoexposure.Check(a.Law).Under(path)...)
		v.Automatic = a
	}
}

// moves reports that something of a view can be set, or says what is missing.
func (c *checker) moves(path string, a *Automatic, class *chipmodel.Class) bool {
	if a.Exposure+a.Gain+a.Offset > 0 {
		return true
	}
	what := "gain_index and offset"
	switch {
	case class.HasShutter():
		what = "the exposure of the first view"
	case !class.HasRegister(chipmodel.Gain):
		c.addf(path, "leave it out", "chips of class %q have nothing to set: no shutter and no amplifier (%s)",
			class.Name, class.Parts())
		return false
	}
	c.add(path, "nothing of the view may be set", "say in movable within which bounds "+what+" may move")
	return false
}

// law is the configuration of the control law.
func (c *checker) law(spec *facetdv1.AutomaticExposure, a *Automatic, now map[facetdv1.Register]int,
	averaging time.Duration, class *chipmodel.Class) autoexposure.Config {
	out := autoexposure.Config{
		Class: class, Level: spec.GetLevel(), Percentile: spec.GetPercentile(), Exposed: a.Exposure > 0,
		Step: c.a.Grain(), Averaging: autoexposure.Averaging(averaging.Seconds(), c.rateHz),
	}
	for _, chip := range c.chips {
		out.Lanes = append(out.Lanes, &c.a.Lanes[c.a.Chips[chip].Lane])
	}
	bounds := func(slot, fixed int) (low, high int) {
		if slot == 0 {
			return fixed, fixed
		}
		return c.slots[slot-1].Low, c.slots[slot-1].High
	}
	low, high := bounds(a.Exposure, 0)
	out.Low.Exposure, out.High.Exposure = time.Duration(low), time.Duration(high)
	out.Low.Gain, out.High.Gain = bounds(a.Gain, now[chipmodel.Gain])
	out.Low.Offset, out.High.Offset = bounds(a.Offset, now[chipmodel.Offset])
	return out
}
