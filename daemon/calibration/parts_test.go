package calibration

import (
	"math"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/daemon/calibration/correction"
)

// TestCodesOfADecadeBehindAnAmplifier: what is left of a fixed pattern is told in decades of
// light by the slope at the converter, with the gain that the view asks for.
func TestCodesOfADecadeBehindAnAmplifier(t *testing.T) {
	for _, gains := range [][]float64{{1, -3}, {2.5}} {
		msg := bustest.Message()
		msg.Classes[0].Amplifier = &facetdv1.Amplifier{Gains: gains, MidVolts: proto.Float64(1.4),
			OffsetStepVolts: proto.Float64(0.004), LowVolts: 0.2, HighVolts: 2.8}
		a, m := chipmodel.New(msg)
		if len(m) > 0 {
			t.Fatal(m)
		}
		for index, gain := range gains {
			subjects, err := subjectsOf(a, bustest.M0,
				[]*facetdv1.View{{Trim: &facetdv1.TrimSettings{GainIndex: uint32(index)}}})
			if err != nil {
				t.Fatal(err)
			}
			want := gain * 0.2 * 512 // 0.2 V a decade, and 2 V over 10 bits
			if got := subjects[0].perDecade; math.Abs(got-want) > 1e-9 {
				t.Errorf("gain %g of %v: %g codes a decade, want %g", gain, gains, got, want)
			}
		}
	}
}

// TestPatternsInDecades: what is left is told in decades of light where their codes are known, and as 0 where not.
func TestPatternsInDecades(t *testing.T) {
	m := fitted(t, plainSubject(t, bustest.MustArray(), testChip), 1)
	reports := []correction.LevelReport{{Frames: 4, BeforeCodes: 12, AfterCodes: 3}}
	for perDecade, want := range map[float64][2]float64{0: {0, 0}, 1: {12, 3}, -24: {0.5, 0.125}} {
		l := levelMessages(m, reports, perDecade)[0]
		if l.GetBeforeDecades() != want[0] || l.GetAfterDecades() != want[1] {
			t.Errorf("%g codes a decade: %v", perDecade, l)
		}
	}
}

// TestNoViewIsThePlainOne: a task without views is read as one with a view that asks for nothing, for every class.
func TestNoViewIsThePlainOne(t *testing.T) {
	a := bustest.MustArray()
	for _, chip := range a.Chips {
		none, err := keysOf(a, chip.Class, nil)
		if err != nil {
			t.Fatal(err)
		}
		plain, err := keysOf(a, chip.Class, []*facetdv1.View{{}})
		if err != nil {
			t.Fatal(err)
		}
		if len(none) != 1 || none["view-1"].text != plain["view-1"].text {
			t.Errorf("chip %s: %v without a view, %v with a plain one", chip.Name, none, plain)
		}
	}
}
