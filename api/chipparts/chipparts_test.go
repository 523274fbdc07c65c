package chipparts

import (
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

func TestText(t *testing.T) {
	hexagonal := &facetdv1.Lattice{Arrangement: facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL}
	linear := &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{}}
	for want, class := range map[string]*facetdv1.ChipClass{
		"square": {},
		"hexagonal, memory, counter, amplifier": {
			Lattice: hexagonal, Memory: &facetdv1.AnalogMemory{}, Counter: &facetdv1.Counter{},
			Amplifier: &facetdv1.Amplifier{},
		},
		"square, linear, pixel switches, regulator, pixel bias, output bias": {
			Pixel: linear, PixelSwitches: &facetdv1.PixelSwitches{}, Regulator: &facetdv1.Regulator{},
			PixelBias: &facetdv1.PixelBias{}, OutputBias: &facetdv1.OutputBias{},
		},
	} {
		if got := Text(class); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
