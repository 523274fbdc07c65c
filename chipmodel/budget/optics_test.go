package budget

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

// through is the budget of a chip of the demo behind another lens.
func through(t *testing.T, lens *facetdv1.Lens) Budget {
	t.Helper()
	a := changed(t, func(msg *facetdv1.Array) {
		for _, c := range msg.GetChips() {
			if c.GetName() == "wall-00" {
				c.Lens = lens
			}
		}
	})
	b, m := New(a, a.Chip("wall-00"), Conditions{Lux: 100})
	if m.Err() != nil {
		t.Fatal(m)
	}
	return b
}

// TestOpticsOfTheDemo: 40 pixels of 24 um under 34 degrees are 0.48 mm / tan 17 degrees of focal length (with the
// barrel distortion of the demo a little less); nothing is said of a focus that the file does not give.
func TestOpticsOfTheDemo(t *testing.T) {
	a := crawler(t)
	b, m := New(a, a.Chip("wall-00"), Conditions{Lux: 100})
	if m.Err() != nil {
		t.Fatal(m)
	}
	o, tan := b.Optics, math.Tan(17*math.Pi/180)
	if want := 0.48 / (tan * (1 - 0.03*tan*tan)); math.Abs(o.FocalMM/want-1) > 1e-9 || o.Projection != "rectilinear" {
		t.Errorf("%s of %v mm, want %v mm", o.Projection, o.FocalMM, want)
	}
	if o.Focus != nil || o.BlurPixels != 0.4 || o.OwnPixels != 0.4 || o.DefocusPixels != 0 || o.DiffractionPixels != 0 {
		t.Errorf("blur without an aperture: %+v", o)
	}
	corner := math.Cos(o.CornerDeg * math.Pi / 180)
	if want := 0.5 + 0.5*math.Pow(corner, 4); math.Abs(o.CornerLight-want) > 1e-12 || o.CornerDeg < 22 ||
		o.CornerDeg > 24 {
		t.Errorf("corner at %v degrees with %v of the light, want %v", o.CornerDeg, o.CornerLight, want)
	}
	if table := b.Table(); !strings.Contains(table,
		"depth of field: unlimited, since the array file gives the lens no "+
			"f_number\n") || !strings.Contains(table, "blur: 0.4 pixels (the lens 0.4, diffraction 0, defocus 0)\n") {
		t.Errorf("the table says\n%s", table)
	}
}

// TestOpticsOfAFisheye: f = 0.48 mm/(pi/4) under 90 degrees; at f/2 and a pixel of 24 um all is sharp from
// f^2/(N c) = 7.78 mm on, and a subject at 4 mm is not.
func TestOpticsOfAFisheye(t *testing.T) {
	lens := &facetdv1.Lens{HorizontalFovDeg: 90, VerticalFovDeg: 90, FNumber: 2, SubjectM: 0.004,
		Projection: facetdv1.Projection_PROJECTION_EQUIDISTANT,
		Falloff:    []*facetdv1.FalloffPoint{{Relative: 1}, {AngleDeg: 90, Relative: 0.4}}}
	b := through(t, lens)
	o := b.Optics
	focal := 0.48 / (math.Pi / 4)
	if math.Abs(o.FocalMM/focal-1) > 1e-9 || math.Abs(o.DegreesPerPixel-90.0/40) > 1e-9 || o.Focus == nil {
		t.Fatalf("%+v", o)
	}
	near := focal * focal / (2 * 24)
	if f := o.Focus; math.Abs(f.NearM/near-1) > 1e-9 || f.FarM != nil ||
		math.Abs(f.HyperfocalM-near-1e-3*focal) > 1e-12 ||
		f.WorkingFNumber != 2 || math.Abs(f.AiryUm-1.21967*0.555*2) > 1e-4 {
		t.Errorf("focus %+v, want all from %v m on", f, near)
	}
	if want := focal * focal / (2 * 4) * 1000 / 4 / 24; math.Abs(o.DefocusPixels/want-1) > 1e-9 {
		t.Errorf("defocus of %v pixels, want %v", o.DefocusPixels, want)
	}
	if want := 1 - 0.6*o.CornerDeg/90; math.Abs(o.CornerLight-want) > 1e-12 {
		t.Errorf("corner at %v degrees has %v of the light, want %v", o.CornerDeg, o.CornerLight, want)
	}
	lens.SubjectM, lens.FocusM = 0, 0.005
	finite := through(t, lens)
	if far := finite.Optics.Focus.FarM; far == nil || *far < 0.005 ||
		!strings.Contains(finite.Table(), "(24 um), at f/2 in focus at 5 mm\n") {
		t.Errorf("in focus at 5 mm:\n%s", finite.Table())
	}
	text, err := json.Marshal(b)
	if err != nil || !strings.Contains(string(text), `"near_m"`) || strings.Contains(string(text), `"far_m"`) {
		t.Errorf("JSON: %s, %v", text, err)
	}
}
