package die

import (
	"math"
	"testing"
	"time"

	"facetd.example/chipmodel/bustime"
)

// BenchmarkLaggingRow reads pixels that lag behind light that moves, by rows and one by one.
func BenchmarkLaggingRow(b *testing.B) {
	a := crawler(b)
	c := &a.Chips[a.Chip("bed-1")]
	light := &Light{Every: 10 * time.Millisecond, Row: func(dst []float64, row int, at bustime.Time) {
		lux := 10 + math.Sin(float64(at)*1e-8)
		for i := range dst {
			dst[i] = lux
		}
	}}
	volts := make([]float64, c.Class.Columns)
	for _, way := range []struct {
		name string
		read func(*Die, *reading)
	}{
		{"row", func(d *Die, r *reading) { d.Row(volts, r.row, r.column, r.step, r.at, r.interval, light) }},
		{"single", func(d *Die, r *reading) { d.oneByOne(volts, r, light) }},
	} {
		b.Run(way.name, func(b *testing.B) {
			d := New(a, c.Index, 1)
			r := reading{step: 1, n: len(volts), interval: 4600}
			for b.Loop() {
				for r.row = range c.Class.Rows {
					way.read(d, &r)
					r.at += 250_000
				}
				r.at += 40e6
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*c.Class.Rows*c.Class.Columns), "ns/pixel")
		})
	}
}
