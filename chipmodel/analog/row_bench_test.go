package analog

import (
	"math/rand/v2"
	"testing"
)

// BenchmarkRow is what a row of pixels takes, a pixel, beside the same one by one.
func BenchmarkRow(b *testing.B) {
	const n = 48
	lane := func(low, high float64) []float64 {
		v := make([]float64, n)
		for i := range v {
			v[i] = low + (high-low)*float64(i)/n
		}
		return v
	}
	run := func(name string, f func()) {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				f()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/pixel")
		})
	}
	dst, noise, library := lane(0, 0), NewNoise(1, 2), rand.New(rand.NewPCG(1, 2))
	run("normals/row", func() { noise.Normals(dst) })
	run("normals/single", func() {
		for i := range dst {
			dst[i] = noise.Normal()
		}
	})
	run("normals/library", func() {
		for i := range dst {
			dst[i] = library.NormFloat64()
		}
	})
	lux := lane(1, 800)
	run("ln/row", func() {
		copy(dst, lux)
		LnAll(dst)
	})
	run("ln/single", func() {
		for i, x := range lux {
			dst[i] = Ln(x)
		}
	})
	from, to, seconds := lane(5, 20), lane(5.1, 20.5), lane(0.01, 0.01)
	row := LaggingRow{Shown: lane(5, 20), Kept: lane(1, 1), Dark: lane(0.02, 0.02), K: 0.017}
	run("follow/row", func() { row.FollowSteady(from, to, seconds) })
	var lag LogLag
	run("follow/single", func() {
		for i, shown := range row.Shown {
			row.Shown[i], row.Kept[i] = lag.Follow(shown, from[i], to[i], row.Dark[i], row.K, Gap{Seconds: seconds[i]})
		}
	})
}
