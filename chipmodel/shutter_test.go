package chipmodel

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel/chiptest"
)

// TestShutters: a shutter says how short and how long it may be, and is of a class with memory.
func TestShutters(t *testing.T) {
	n := 0
	for chiptest.Class(n).GetLinear().GetShutter() == nil {
		n++
	}
	for name, c := range map[string]struct {
		change func(c *facetdv1.ChipClass, s *facetdv1.Shutter)
		want   string // path of the error
	}{
		"as it is": {func(*facetdv1.ChipClass, *facetdv1.Shutter) {}, ""},
		"no own": {func(c *facetdv1.ChipClass, _ *facetdv1.Shutter) { c.GetLinear().Exposure = nil },
			"linear.exposure"},
		"one time": {func(_ *facetdv1.ChipClass, s *facetdv1.Shutter) { s.Least = s.Most }, ""},
		"a minute": {func(_ *facetdv1.ChipClass, s *facetdv1.Shutter) { s.Most = dur(time.Minute) }, ""},
		"no least": {func(_ *facetdv1.ChipClass, s *facetdv1.Shutter) { s.Least = nil }, "linear.shutter.least"},
		"no most":  {func(_ *facetdv1.ChipClass, s *facetdv1.Shutter) { s.Most = nil }, "linear.shutter.most"},
		"at once":  {func(_ *facetdv1.ChipClass, s *facetdv1.Shutter) { s.Least = dur(0) }, "linear.shutter.least"},
		"reversed": {func(_ *facetdv1.ChipClass, s *facetdv1.Shutter) { s.Most = dur(1) }, "linear.shutter.most"},
		"for ages": {func(_ *facetdv1.ChipClass, s *facetdv1.Shutter) { s.Most = dur(time.Minute + 1) },
			"linear.shutter.most"},
		"no memory": {func(c *facetdv1.ChipClass, _ *facetdv1.Shutter) { c.Memory = nil }, "linear.shutter"},
	} {
		class := chiptest.Class(n)
		c.change(class, class.GetLinear().GetShutter())
		a, m := New(&facetdv1.Array{
			SelectLines: []string{"x"}, Classes: []*facetdv1.ChipClass{class},
			Lanes: []*facetdv1.Lane{{Name: "a", ChipCapacitancePf: proto.Float64(1), LineCapacitancePf: 10,
				Converter: &facetdv1.Converter{Bits: 12, HighVolts: 2, Conversion: dur(1500)}}},
			Timing: &facetdv1.BusTiming{DeadTime: dur(200), SelectSetup: dur(300), Write: dur(1000), Strobe: dur(500),
				ReleaseLimit: dur(20000)},
			Chips: []*facetdv1.Chip{{Name: "one", Class: class.GetName(), Lane: "a", Selects: []string{"x"},
				Lens: &facetdv1.Lens{HorizontalFovDeg: 30, VerticalFovDeg: 30}}},
		})
		switch {
		case c.want == "" && (len(m) > 0 || !a.Classes[0].HasShutter()):
			t.Errorf("%s: %v", name, m)
		case c.want != "" && (len(m) != 1 || m[0].Path != "classes[0]."+c.want):
			t.Errorf("%s: %v, want one at %s", name, m, c.want)
		}
	}
	if (&Class{Spec: &facetdv1.ChipClass{Pixel: &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
		Exposure: durationpb.New(time.Second)}}}}).HasShutter() {
		t.Error("a shutter that nobody described")
	}
}
