package chipmodel

import (
	"math"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestLightOfAnArray: what the array states, 100 lux where it says nothing, and an error where it cannot be.
func TestLightOfAnArray(t *testing.T) {
	for given, want := range map[float64]float64{0: 100, 5: 5, 1e-9: 1e-9, -1: 0, 2e9: 0, math.Inf(1): 0} {
		a, m := New(&facetdv1.Array{LightLux: given, SelectLines: []string{"x"},
			Chips: []*facetdv1.Chip{{Name: "c", Selects: []string{"x"}}}})
		switch {
		case want == 0 && (len(m) != 1 || m[0].Path != "light_lux" || m[0].Hint == ""):
			t.Errorf("%g lux: %v", given, m)
		case want > 0 && len(m) > 0:
			t.Errorf("%g lux: %v", given, m)
		case want > 0 && a.LightLux() != want:
			t.Errorf("%g lux became %g", given, a.LightLux())
		}
	}
	if _, m := New(&facetdv1.Array{LightLux: math.NaN(), SelectLines: []string{"x"},
		Chips: []*facetdv1.Chip{{Name: "c", Selects: []string{"x"}}}}); len(m) != 1 {
		t.Errorf("no number: %v", m)
	}
}
