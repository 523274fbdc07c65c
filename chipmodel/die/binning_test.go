package die

import (
	"math"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/scene"
)

// TestBinningMTF: n pixels of a row that are joined pass the contrast of a grating as one pixel n times as wide does:
// sin(pi n f)/(pi n f) for f cycles a pixel, 0.637 at their own Nyquist frequency 1/(2n) and nothing at 1/n (the
// transform of a square aperture as in glossaries of optics, seen in optowiki.info, "Sensor MTF"; that n apertures side
// by side make one follows).
func TestBinningMTF(t *testing.T) {
	const columns, lux, contrast = 64, 100.0, 0.8
	a := classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: 2, Columns: columns, PitchXUm: 10}
		bare(c)
		c.PixelSwitches = &facetdv1.PixelSwitches{PatternSettle: dur(1000)}
		c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{Exposure: dur(time.Millisecond),
			ElectronsPerLuxS: 1e6, FullWellElectrons: 1e9, VoltsPerElectron: 1e-6}}
	})
	view := scene.NewView(a.Chips[0].Camera())
	// shown is what the columns show of a grating of a phase, as a part of the mean.
	shown := func(pattern uint8, frequency, phase float64) []float64 {
		grating, err := scene.Grating(scene.GratingOptions{MeanLux: lux, Contrast: contrast, CyclesPerPixel: frequency,
			PhaseDeg: phase})
		if err != nil {
			t.Fatal(err)
		}
		d := newIdeal(a, 0)
		d.Write(chipmodel.ColumnPattern, uint16(pattern))
		v := make([]float64, columns)
		d.Row(v, 0, 0, 1, 1e9, 0, Still(func(dst []float64, row int,
			at bustime.Time) {
			grating.Row(dst, view, row, at)
		}))
		for i := range v {
			v[i] = -1e3*v[i]/lux - 1
		}
		return v
	}
	for pattern, n := range map[uint8]float64{0: 1, 0x55: 2, 0x77: 4, 0x7f: 8} {
		for _, f := range []float64{0.01, 0.05, 0.11, 1 / (2 * n), 1 / n, 1.5 / n} {
			want := contrast * math.Abs(math.Sin(math.Pi*n*f)/(math.Pi*n*f))
			if f == 1/(2*n) && math.Abs(want/contrast-0.637) > 5e-4 {
				t.Fatalf("the rule gives %v at the Nyquist frequency", want/contrast)
			}
			sine, cosine := shown(pattern, f, 0), shown(pattern, f, 90)
			for i := range sine {
				// A quarter of a turn apart, the two make up the whole swing on every pixel.
				if got := math.Hypot(sine[i], cosine[i]); math.Abs(got-want) > 1e-6 {
					t.Errorf("%g joined, %g cycles a pixel, column %d: a contrast of %v, want %v", n, f, i, got, want)
					break
				}
			}
		}
	}
}
