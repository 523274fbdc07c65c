package measure

import (
	"math"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// TestTrimWithoutOffset: where neither offset nor bias moves the output, the largest gain
// that does not clip is chosen; the description says where it clips.
func TestTrimWithoutOffset(t *testing.T) {
	for want, gains := range map[int][]float64{0: {1, 8}, 1: {1, -2, 8}, 2: {0.5, 1, 2}} {
		msg := bustest.Message()
		const low, high = 0.7, 2.3
		msg.Classes[0].Amplifier = &facetdv1.Amplifier{Gains: gains, MidVolts: proto.Float64(1.5),
			OffsetStepVolts: proto.Float64(0), LowVolts: low, HighVolts: high}
		a, m := chipmodel.New(msg)
		if len(m) > 0 {
			t.Fatal(m)
		}
		lane := &a.Lanes[a.Chips[bustest.M0].Lane]
		var points []TrimPoint
		for _, lit := range []bool{false, true} {
			volts := 1.45 // of the cells
			if lit {
				volts = 1.75
			}
			for _, s := range TrimGrid(a, bustest.M0) {
				code := func(volts float64) float64 {
					out := min(max(1.5+gains[s.Gain]*(volts-1.5), low), high)
					return math.Round((out - lane.Spec.GetConverter().GetLowVolts()) / VoltsPerCode(lane))
				}
				x, y := code(volts-0.01), code(volts+0.01)
				points = append(points,
					TrimPoint{Trim: s, Lit: lit, Mean: code(volts), Lowest: min(x, y), Highest: max(x, y)})
			}
		}
		best, ok := ChooseTrim(a, bustest.M0, points)
		if !ok || best.Gain != want {
			t.Errorf("gains %v: setting %+v, %v; want gain %d", gains, best, ok, want)
		}
	}
}
