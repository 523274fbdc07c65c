package chipmodel

import (
	"math"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel/chiptest"
	"facetd.example/chipmodel/geometry"
)

// throughLens is an array of one chip behind a lens.
func throughLens(lens *facetdv1.Lens) *facetdv1.Array {
	class := chiptest.Class(0)
	ns := func(n int64) *durationpb.Duration { return &durationpb.Duration{Nanos: int32(n)} }
	return &facetdv1.Array{
		SelectLines: []string{"x"}, Classes: []*facetdv1.ChipClass{class},
		Timing: &facetdv1.BusTiming{DeadTime: ns(200), SelectSetup: ns(300), Write: ns(1000), Strobe: ns(500),
			ReleaseLimit: ns(20000)},
		Lanes: []*facetdv1.Lane{{Name: "a", LineCapacitancePf: 10, ChipCapacitancePf: proto.Float64(1),
			Converter: &facetdv1.Converter{Bits: 12, HighVolts: 2, Conversion: ns(1000)}}},
		Chips: []*facetdv1.Chip{{Name: "c", Class: class.GetName(), Lane: "a", Selects: []string{"x"}, Lens: lens}},
	}
}

// TestLensOfAFile: every field of the file reaches the camera, and what is left out has its default.
func TestLensOfAFile(t *testing.T) {
	a, m := New(throughLens(&facetdv1.Lens{HorizontalFovDeg: 150, VerticalFovDeg: 120, DistortionK1: 0.02,
		BlurPixels: 0.3, Projection: facetdv1.Projection_PROJECTION_EQUIDISTANT, FNumber: 2.8, FocusM: 0.5,
		SubjectM: 0.2,
		Falloff:  []*facetdv1.FalloffPoint{{Relative: 1}, {AngleDeg: 75, Relative: 0.4}}}))
	if len(m) > 0 {
		t.Fatal(m)
	}
	got := a.Chips[0].Camera().Lens()
	want := geometry.Lens{Projection: geometry.Equidistant, HorizontalFOVDeg: 150, VerticalFOVDeg: 120,
		DistortionK1: 0.02, BlurPixels: 0.3, FNumber: 2.8, FocusM: 0.5, SubjectM: 0.2,
		Falloff: []geometry.FalloffPoint{{AngleDeg: 0, Relative: 1}, {AngleDeg: 75, Relative: 0.4}}}
	if !slices.Equal(got.Falloff, want.Falloff) {
		t.Errorf("falloff %v, want %v", got.Falloff, want.Falloff)
	}
	got.Falloff, want.Falloff = nil, nil
	if !equalLens(got, want) {
		t.Errorf("the camera has %+v, want %+v", got, want)
	}
	for _, p := range []facetdv1.Projection{0, 1, 2, 3} {
		a, m := New(throughLens(&facetdv1.Lens{Projection: p}))
		if len(m) > 0 {
			t.Fatal(m)
		}
		c := a.Chips[0].Camera()
		s := c.Sight(0, 0)
		long := func(v [3]float64) float64 { return math.Sqrt(v[0]*v[0] + v[1]*v[1] + v[2]*v[2]) }
		if c.Lens().HorizontalFOVDeg != 40 || math.Abs(long(s.Right)/long(s.Down)-1) > 1e-9 {
			t.Errorf("%v: %v degrees, %v rad a pitch along a row and %v along a column", p, c.Lens().HorizontalFOVDeg,
				long(s.Right), long(s.Down))
		}
	}
}

func equalLens(a, b geometry.Lens) bool {
	return a.Projection == b.Projection && a.HorizontalFOVDeg == b.HorizontalFOVDeg &&
		a.VerticalFOVDeg == b.VerticalFOVDeg && a.DistortionK1 == b.DistortionK1 && a.Vignetting == b.Vignetting &&
		a.BlurPixels == b.BlurPixels && a.FNumber == b.FNumber && a.FocusM == b.FocusM && a.SubjectM == b.SubjectM
}

// TestLensesThatCannotBe: what is wrong with a lens is said when the array is checked, not when a bus is made.
func TestLensesThatCannotBe(t *testing.T) {
	for want, lens := range map[string]*facetdv1.Lens{
		"projection":         {Projection: 9},
		"horizontal_fov_deg": {HorizontalFovDeg: 200},
		"vertical_fov_deg":   {VerticalFovDeg: -3},
		"distortion_k1":      {HorizontalFovDeg: 120, VerticalFovDeg: 120, DistortionK1: -0.5}, // folds back
		"f_number":           {FNumber: -2},
		"focus_m":            {FocusM: 1},
		"subject_m":          {FNumber: 2, SubjectM: math.NaN()},
		"vignetting":         {Vignetting: 2},
		"falloff":            {Falloff: []*facetdv1.FalloffPoint{{Relative: 1}}},
	} {
		_, m := New(throughLens(lens))
		if len(m) != 1 || m[0].Path != "chips[0].lens."+want || m[0].Hint == "" {
			t.Errorf("%s: %v", want, m)
		}
	}
}

// TestPlaceOfAFile: where a lens is reaches the camera, and cannot be anywhere.
func TestPlaceOfAFile(t *testing.T) {
	msg := throughLens(&facetdv1.Lens{})
	msg.Chips[0].Mount = &facetdv1.Mount{YawDeg: 90, XM: 0.1, YM: -0.2, ZM: 0.05}
	a, m := New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	if x, y, z := a.Chips[0].Camera().Place(); x != 0.1 || y != -0.2 || z != 0.05 {
		t.Errorf("the camera is at (%v, %v, %v)", x, y, z)
	}
	msg.Chips[0].Mount.YM = math.Inf(1)
	if _, m = New(msg); len(m) != 1 || m[0].Path != "chips[0].mount.y_m" || m[0].Hint == "" {
		t.Errorf("%v", m)
	}
}
