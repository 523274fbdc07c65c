package chipmodel

import (
	"math"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
)

// TestLightOfAnArray: what the array states, 100 lux where it says nothing, and an error where it cannot be.
func TestLightOfAnArray(t *testing.T) {
	of := func(lux *float64) (*Array, invalid.Errors) {
		return New(&facetdv1.Array{LightLux: lux, SelectLines: []string{"x"},
			Chips: []*facetdv1.Chip{{Name: "c", Selects: []string{"x"}}}})
	}
	if a, m := of(nil); len(m) > 0 || a.LightLux() != 100 {
		t.Errorf("nothing: %v", m)
	}
	for _, given := range []float64{1e-9, 5, 1e9} {
		if a, m := of(&given); len(m) > 0 || a.LightLux() != given {
			t.Errorf("%g lux: %v", given, m)
		}
	}
	for _, wrong := range []float64{0, -1, 2e9, math.Inf(1), math.NaN()} {
		if _, m := of(&wrong); len(m) != 1 || m[0].Path != "light_lux" || m[0].Hint == "" {
			t.Errorf("%g lux: %v", wrong, m)
		}
	}
}
