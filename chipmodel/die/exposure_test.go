package die

import (
	"math"
	"testing"
	"time"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
)

// TestExposureByTheBus: what linear pixels gather, light and dark, is proportional to the exposure up to the full well
// (the linear model of EMVA 1288, from memory), and the next load that the bus does not expose is that of the class.
// The charge of each pixel is Poisson: its variance is its mean.
func TestExposureByTheBus(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	const side, perS, dark, full, volts = 64, 5e4, 2e4, 60e3, 20e-6
	a := classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: side, Columns: side, PitchXUm: 10}
		bare(c)
		c.Memory = &facetdv1.AnalogMemory{LoadRow: dur(1000), CellCapacitanceFf: 1e6, ShareSettle: dur(1000)}
		c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
			Exposure: dur(1e6), ElectronsPerLuxS: perS, DarkElectronsPerS: dark, FullWellElectrons: full,
			VoltsPerElectron: volts, ResetVolts: 2,
			Shutter: &facetdv1.Shutter{Least: dur(1000), Most: dur(1e9)},
		}}
	})
	d := New(a, 0, seed)
	at := bustime.Time(time.Second)
	for _, exposure := range []time.Duration{50 * time.Microsecond, 0, 700 * time.Microsecond, 3 * time.Millisecond, 0,
		11 * time.Millisecond, 200 * time.Millisecond} {
		d.Strobe(chipmodel.Load, at, exposure, flat(100))
		seconds := exposure.Seconds()
		if exposure == 0 {
			seconds = 1e-3
		}
		var sum, squares float64
		for _, v := range frame(d, side, side, at.Add(time.Millisecond), flat(1)) {
			electrons := (2 - v) / volts
			sum += electrons
			squares += electrons * electrons
		}
		const n = side * side
		mean := sum / n
		variance := squares/n - mean*mean
		want := (perS*100 + dark) * seconds
		if want > full {
			if mean != full && math.Abs(mean/full-1) > 1e-3 {
				t.Errorf("%v: %.1f electrons, the well holds %g", exposure, mean, full)
			}
		} else if math.Abs(mean-want) > 5*math.Sqrt(want/n) || math.Abs(variance/want-1) > 6*math.Sqrt(2.0/n)+0.01 {
			t.Errorf("%v: %.1f electrons with a variance of %.1f, want %.1f of both", exposure, mean, variance, want)
		}
		at = at.Add(time.Second)
	}
}
