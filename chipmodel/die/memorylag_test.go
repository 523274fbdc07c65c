package die

import (
	"math"
	"testing"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// TestLoadsLag: a row of memory takes what its pixels show when it is loaded, which lags behind the light since the
// load before by as long as the rows before it take. The reference is the closed form for light that stays after a
// step, 1/shown = 1/after + (1/before - 1/after) exp(-t after/k), derived from dx/dt = x (after - x)/k.
func TestLoadsLag(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	const rows, columns, node, perLux = 8, 512, 50e-15, 100e-15
	a := classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: rows, Columns: columns, PitchXUm: 10}
		bare(c)
		c.Memory = &facetdv1.AnalogMemory{LoadRow: dur(1_000_000), CellCapacitanceFf: 1e6, SwitchResistanceOhms: 1,
			ShareSettle: dur(1000)}
		c.Pixel = &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{
			OffsetVolts: 1, VoltsPerDecade: 0.06, DarkLux: 1e-6, NodeCapacitanceFf: node * 1e15,
			PhotocurrentFaPerLux: perLux * 1e15,
		}}
	})
	k := node * analog.ThermalVolts(300) / perLux
	for _, c := range []struct{ before, after float64 }{{100, 1}, {1, 100}, {0.2, 1}} {
		d := New(a, 0, seed)
		d.Strobe(chipmodel.Load, 0, 0, flat(c.before))
		const second = 5_000_000
		d.Strobe(chipmodel.Load, bustime.Time(second), 0, flat(c.after))
		for r := range rows {
			volts := make([]float64, columns)
			d.Row(volts, r, 0, 1, bustime.Time(1e9), 0, flat(c.after))
			got := 0.0
			for _, v := range volts {
				got += v / columns
			}
			x := 1 / (1/c.after + (1/c.before-1/c.after)*math.Exp(-second*1e-9*c.after/k))
			want := 1 + 0.06*math.Log10(x)
			slope := 0.06 / math.Ln10 / analog.ThermalVolts(300)
			if bound := 6*slope*analog.KTCVolts(300, node)/math.Sqrt(columns) + 1e-5; math.Abs(got-want) > bound {
				t.Errorf("%g to %g lux, row %d: %v V, want %v within %v", c.before, c.after, r, got, want, bound)
			}
		}
	}
}
