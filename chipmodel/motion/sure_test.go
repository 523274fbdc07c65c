package motion_test

import (
	"fmt"
	"math"
	"testing"

	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/motion"
	"facetd.example/chipmodel/scene"
)

// TestRatesAreAsSureAsTheyAreTold: under turns of the whole array that move pictures by odd and even numbers of pixels,
// errors of the rate about each axis are as large as the standard deviations told.
func TestRatesAreAsSureAsTheyAreTold(t *testing.T) {
	var all, n float64
	for _, degrees := range []float64{6, 12, -15, 20} {
		var squares, z [3]float64
		pairs := 0.0
		watchThrough(t, camerasOf(t, 0), fmt.Sprintf("demo:low=1,high=800,yaw_rate=%g", degrees), 5,
			func(b motion.Body, s scene.Scene, at bustime.Time) {
				truth, _ := scene.TruthAt(s, at)
				pairs++
				for k, want := range truth.RateRadPerS {
					d := b.Rate[k] - want
					squares[k] += d * d
					z[k] += d * d / b.RateCovariance[k][k]
				}
			})
		for k := range z {
			all, n = all+z[k], n+pairs
			if one := math.Sqrt(z[k] / pairs); !(one < 2) {
				t.Errorf("%g degrees a second, axis %d: %.5f rad/s rms, %.2f standard deviations", degrees, k,
					math.Sqrt(squares[k]/pairs), one)
			}
		}
	}
	rms := math.Sqrt(all / n)
	t.Logf("errors of %.2f standard deviations rms", rms)
	if !(rms > 0.6 && rms < 2) {
		t.Errorf("errors of %.2f standard deviations rms", rms)
	}
}
