package budget

import (
	"math"
	"strings"
	"testing"

	"facetd.example/chipmodel"
	"facetd.example/chipmodel/chiptest"
	"facetd.example/chipmodel/die"
)

// codeOf is the code of an ideal chip under a light, which holds nothing against what the budget works out in closed
// form.
func codeOf(a *chipmodel.Array, chip int, c Conditions) float64 {
	class := a.Chips[chip].Class
	volts := die.NewResponse(class).Volts(c.Lux)
	if amp := class.Spec.GetAmplifier(); amp != nil {
		volts = amp.GetMidVolts() + amp.GetGains()[c.GainIndex]*(volts-amp.GetMidVolts())
		volts = min(max(volts, amp.GetLowVolts()), amp.GetHighVolts())
	}
	lane := &a.Lanes[a.Chips[chip].Lane]
	return min(max(lane.CodeOf(volts), -0.5), math.Exp2(float64(lane.Bits))-0.5)
}

// TestSaturation: within the range that the budget gives the code follows the light, beyond it it does not; for chips
// of every combination of parts.
func TestSaturation(t *testing.T) {
	limits := 0
	for n := range chiptest.Combinations {
		a := arrayOf(t, chiptest.Class(n))
		parts := a.Classes[0].Parts()
		for gain := range max(len(a.Chips[0].Class.Spec.GetAmplifier().GetGains()), 1) {
			b, m := New(a, 0, Conditions{Lux: 30, GainIndex: gain})
			if len(m) > 0 {
				t.Fatal(m)
			}
			for _, side := range []struct {
				limit *Limit
				out   float64
			}{{b.Saturation.Dim, 1 / 1.02}, {b.Saturation.Bright, 1.02}} {
				if side.limit == nil {
					continue
				}
				limits++
				at := func(factor float64) float64 {
					return codeOf(a, 0, Conditions{Lux: side.limit.Lux * factor, GainIndex: gain})
				}
				if d := math.Abs(at(side.out*side.out) - at(side.out)); d > 1e-9 {
					t.Errorf("%s: beyond %+v the code still moves by %g", parts, side.limit, d)
				}
				if d := math.Abs(at(1/side.out) - at(1)); d < 1e-6 {
					t.Errorf("%s: within %+v the code stands still", parts, side.limit)
				}
				beyond, m := New(a, 0, Conditions{Lux: side.limit.Lux * side.out, GainIndex: gain})
				if len(m) == 0 && (beyond.Saturation.By != side.limit.By || beyond.VoltsPerDecade != 0 ||
					!strings.Contains(beyond.Table(), "SATURATED") || strings.Contains(beyond.Table(), "largest:")) {
					t.Errorf("%s at %g lux: %+v\n%s", parts, side.limit.Lux*side.out, beyond.Saturation,
						beyond.Table())
				}
			}
		}
	}
	if limits < 300 {
		t.Errorf("%d limits were looked at", limits)
	}
}
