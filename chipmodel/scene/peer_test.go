package scene

import (
	"fmt"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"facetd.example/api/peertest"
	"facetd.example/chipmodel/bustime"
)

// BenchmarkBesideScipy samples a panorama for a turning chip, small and large, beside
// numpy and scipy.ndimage.map_coordinates in the same run. Ours weights by area as
// well; theirs is bilinear alone. It is a comparison, not a gate.
func BenchmarkBesideScipy(b *testing.B) {
	python := peertest.Python(b, "numpy", "scipy.ndimage")
	scene := mustPanorama(b, DemoPanorama(), PanoramaOptions{LuxHigh: 1000, Motion: Motion{YawRateDegPerS: 20}})
	for _, side := range []int{16, 256} {
		b.Run(fmt.Sprintf("%dx%d", side, side), func(b *testing.B) {
			out, err := exec.Command(python, "testdata/sample.py", strconv.Itoa(side)).Output()
			if err != nil {
				b.Fatal(err)
			}
			theirs, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
			if err != nil {
				b.Fatal(err)
			}
			view := mustView(b, Lattice{Rows: side, Columns: side, PitchXUm: 20, PitchYUm: 20},
				Optics{YawDeg: 90, HorizontalFOVDeg: 50, VerticalFOVDeg: 50})
			dst := make([]float64, side)
			at := int64(0)
			b.ResetTimer()
			for b.Loop() {
				for r := range side {
					scene.Row(dst, view, r, bustime.Time(at))
				}
				at += 1e7
			}
			ours := float64(b.Elapsed().Nanoseconds()) / float64(b.N) / float64(side*side)
			b.ReportMetric(ours, "ns/pixel")
			b.ReportMetric(theirs, "scipy-ns/pixel")
			b.ReportMetric(theirs/ours, "scipy/ours")
		})
	}
}
