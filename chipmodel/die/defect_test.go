package die

import (
	"errors"
	"math"
	"testing"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
)

// TestDefects: a stuck pixel shows its volts under any light, a noisy one has the noise it
// was given on top, and all others are to the bit what they are without.
func TestDefects(t *testing.T) {
	a := crawler(t)
	for _, name := range []string{"wall-00", "bed-0", "bow-left", "bow-comb"} {
		chip := a.Chip(name)
		class := a.Chips[chip].Class
		good, spoiled := newIdeal(a, chip), newIdeal(a, chip)
		if err := spoiled.SetDefects([]Defect{{Row: 1, Column: 2, Stuck: true, Volts: 1.75}}); err != nil {
			t.Fatal(err)
		}
		for _, lux := range []float64{0, 1, 1000} {
			light := flat(lux)
			for r := range class.Rows {
				want, got := make([]float64, class.Columns), make([]float64, class.Columns)
				for _, d := range []*Die{good, spoiled} {
					d.Strobe(chipmodel.Load, 0, 0, light)
				}
				good.Row(want, r, 0, 1, 1000, 100, light)
				spoiled.Row(got, r, 0, 1, 1000, 100, light)
				for c := range got {
					if r == 1 && c == 2 {
						want[c] = 1.75
					}
					if got[c] != want[c] {
						t.Errorf("%s at %g lux: row %d, column %d shows %g V, want %g", class.Name, lux, r, c, got[c],
							want[c])
					}
				}
			}
		}
	}
	noisy := New(a, a.Chip("bow-comb"), 5)
	if err := noisy.SetDefects([]Defect{{Row: 2, Column: 1, NoiseVolts: 0.03}}); err != nil {
		t.Fatal(err)
	}
	var sum, squares float64
	const n = 4000
	for i := range n {
		v := make([]float64, 4)
		noisy.Row(v, 2, 0, 1, bustime.Time(int64(i)*1e9), 100, flat(100))
		sum += v[1]
		squares += v[1] * v[1]
	}
	if sd := math.Sqrt(squares/n - (sum/n)*(sum/n)); math.Abs(sd/0.03-1) > 0.05 {
		t.Errorf("noise of %g V, want 0.03", sd)
	}
	var m invalid.Errors
	if err := noisy.SetDefects([]Defect{{Row: 36}, {Column: -1}, {Stuck: true, Volts: math.NaN()}}); !errors.As(err,
		&m) || len(m) != 3 || len(noisy.px.defects) != 1 {
		t.Errorf("%v", err)
	}
}
