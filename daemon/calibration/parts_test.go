package calibration

import (
	"math"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// TestCodesOfADecadeBehindAnAmplifier: what is left of a fixed pattern is told in decades of
// light by the slope at the converter, with the gain that the view asks for.
func TestCodesOfADecadeBehindAnAmplifier(t *testing.T) {
	msg := bustest.Message()
	msg.Classes[0].Amplifier = &facetdv1.Amplifier{Gains: []float64{1, -3}, MidVolts: proto.Float64(1.4),
		OffsetStepVolts: proto.Float64(0.004), LowVolts: 0.2, HighVolts: 2.8}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	// 0.2 V a decade, and 2 V over 10 bits.
	for gain, want := range []float64{0.2 * 512, -3 * 0.2 * 512} {
		subjects, err := subjectsOf(a, bustest.M0,
			[]*facetdv1.View{{Trim: &facetdv1.TrimSettings{GainIndex: uint32(gain)}}})
		if err != nil {
			t.Fatal(err)
		}
		if got := subjects[0].perDecade; math.Abs(got-want) > 1e-9 {
			t.Errorf("gain %d: %g codes a decade, want %g", gain, got, want)
		}
	}
}
