package measure

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
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
					return math.Round(lane.CodeOf(out))
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

// TestTrimOfAMemory: the bias is written before the load, which takes what the pixels show
// under it, and the values of power-on come back only after the readout.
func TestTrimOfAMemory(t *testing.T) {
	msg := bustest.Message()
	msg.Classes[0].PixelBias = &facetdv1.PixelBias{Nominal: 100, VoltsPerStep: proto.Float64(0.001)}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	var order []string
	for _, op := range NewPrograms(a).Trimmed(bustest.M0, Trim{PixelBias: 90}, Whole(a.Classes[0])) {
		switch {
		case op.Kind == bus.OpWrite && op.Register == chipmodel.PixelBias:
			order = append(order, fmt.Sprint("bias ", op.Value))
		case op.Kind == bus.OpStrobe && op.Strobe == chipmodel.Load:
			order = append(order, "load")
		case op.Scan != nil:
			order = append(order, "read")
		}
	}
	if want := []string{"bias 90", "load", "read", "bias 100"}; !slices.Equal(order, want) {
		t.Errorf("%q, want %q", order, want)
	}
}
