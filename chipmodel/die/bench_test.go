package die

import (
	"math"
	"testing"

	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// BenchmarkReadout times rows from the die's output to codes, without the scene, for
// each kind of chip of the demo; "converter" is the lane alone, and "bare" what a
// converter without noise and errors would have to do.
func BenchmarkReadout(b *testing.B) {
	a := crawler(b)
	report := func(b *testing.B, pixels int) {
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(pixels), "ns/pixel")
	}
	light := flat(100)
	for _, name := range []string{"wall-00", "bed-1", "bow-left", "bow-comb"} {
		c := &a.Chips[a.Chip(name)]
		b.Run(c.Class.Parts(), func(b *testing.B) {
			d, lane := New(a, c.Index, 1), NewLane(a, c.Lane, 1)
			d.Strobe(chipmodel.Load, 0, 0, light)
			volts, codes := make([]float64, c.Class.Columns), make([]uint16, c.Class.Columns)
			at := int64(1e6)
			for b.Loop() {
				for r := range c.Class.Rows {
					d.Row(volts, r, 0, 1, bustime.Time(at), 4600, light)
					lane.Convert(codes, volts, 1e-4)
					at += 250_000
				}
			}
			report(b, c.Class.Rows*c.Class.Columns)
		})
	}
	volts, codes := make([]float64, 48), make([]uint16, 48)
	for i := range volts {
		volts[i] = 1 + 0.01*math.Sin(float64(i))
	}
	b.Run("converter", func(b *testing.B) {
		lane := NewLane(a, 0, 1)
		for b.Loop() {
			lane.Convert(codes, volts, 1e-4)
		}
		report(b, len(volts))
	})
	b.Run("bare", func(b *testing.B) {
		c := analog.NewConverter(analog.ConverterSpec{Bits: 12, LowVolts: 0.6, HighVolts: 2.2}, nil)
		for b.Loop() {
			c.Convert(codes, volts, 0, 0)
		}
		report(b, len(volts))
	})
}
