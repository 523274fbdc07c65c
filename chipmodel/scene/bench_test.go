package scene

import (
	"math"
	"testing"

	"facetd.example/chipmodel/bustime"
)

// naive is the baseline: the nearest pixel of the picture by atan2 and asin,
// with the pose as in Panorama and no averaging.
type naive struct {
	light  plane
	motion Motion
}

func (s naive) row(dst []float64, v *View, row int, at bustime.Time) {
	p := s.motion.At(at)
	m := attitude(p.YawDeg, p.PitchDeg, p.RollDeg)
	for i := range dst {
		x, y, z := m.Apply(v.Ray(row, i))
		if p.ForwardM != 0 {
			t := s.motion.PipeRadiusM / math.Hypot(y, z)
			x, y, z = x*t+p.ForwardM, y*t, z*t
			n := math.Sqrt(x*x + y*y + z*z)
			x, y, z = x/n, y/n, z/n
		}
		east, down := 0.5-math.Atan2(y, x)/(2*math.Pi), 0.5-math.Asin(min(max(z, -1), 1))/math.Pi
		px := min(max(int(east*float64(s.light.width)), 0), s.light.width-1)
		py := min(max(int(down*float64(s.light.height)), 0), s.light.height-1)
		dst[i] = float64(s.light.pix[py*s.light.width+px]) * v.Gain(row, i)
	}
}

// BenchmarkRow reads whole frames of 64 by 64, so that caches see what a
// simulator's would; the figure to look at is ns/pixel.
func BenchmarkRow(b *testing.B) {
	img := DemoPanorama()
	moving := Motion{YawRateDegPerS: 20, ForwardMPerS: 0.1, TravelM: 0.5, PipeRadiusM: 0.3}
	turning := Motion{YawRateDegPerS: 20}
	side := mustView(b, square64, Optics{YawDeg: 90, HorizontalFOVDeg: 50, VerticalFOVDeg: 50})
	skew := mustView(b, square64, Optics{YawDeg: 45, PitchDeg: 35, RollDeg: 20, HorizontalFOVDeg: 50,
		VerticalFOVDeg: 50})
	scene := func(m Motion) func([]float64, *View, int, bustime.Time) {
		return mustPanorama(b, img, PanoramaOptions{LuxHigh: 1000, Motion: m}).Row
	}
	grating, err := Grating(GratingOptions{MeanLux: 100, Contrast: 1, CyclesPerPixel: 0.1, DriftHz: 1})
	if err != nil {
		b.Fatal(err)
	}
	for _, c := range []struct {
		name string
		view *View
		row  func([]float64, *View, int, bustime.Time)
	}{
		{"baseline-still", side, naive{linearise(img), Motion{}}.row},
		{"baseline-moving", side, naive{linearise(img), moving}.row},
		{"panorama-still", side, scene(Motion{})},
		{"panorama-turning", side, scene(turning)},
		{"panorama-moving", side, scene(moving)},
		{"panorama-moving-cube-corner", skew, scene(moving)},
		{"grating", side, grating.Row},
		{"uniform", side, Uniform(100).Row},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			dst := make([]float64, 64)
			at := int64(0)
			for b.Loop() {
				for r := range 64 {
					c.row(dst, c.view, r, bustime.Time(at))
				}
				at += 1e7
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/4096, "ns/pixel")
		})
	}
}

func BenchmarkConstruction(b *testing.B) {
	img := DemoPanorama()
	b.Run("DemoPanorama", func(b *testing.B) {
		for b.Loop() {
			DemoPanorama()
		}
	})
	b.Run("Panorama1024", func(b *testing.B) {
		for b.Loop() {
			mustPanorama(b, img, PanoramaOptions{LuxHigh: 1000})
		}
	})
	b.Run("NewView64", func(b *testing.B) {
		for b.Loop() {
			mustView(b, square64, Optics{HorizontalFOVDeg: 60, VerticalFOVDeg: 60, DistortionK1: -0.1})
		}
	})
}

// BenchmarkRemembering shows rows of a scene that remembers beside one that does not, and a row of which each pixel is
// looked at at its own time beside two rows to interpolate between.
func BenchmarkRemembering(b *testing.B) {
	still := mustPanorama(b, DemoPanorama(), PanoramaOptions{LuxHigh: 1000})
	turning := moving(still, Motion{YawRateDegPerS: 20, ForwardMPerS: 0.1, TravelM: 0.5, PipeRadiusM: 0.3})
	v := mustView(b, square64, Optics{YawDeg: 90, HorizontalFOVDeg: 50, VerticalFOVDeg: 50})
	dst, end := make([]float64, 64), make([]float64, 64)
	row := func(s Scene) func(int, bustime.Time) {
		return func(row int, at bustime.Time) { s.Row(dst, v, row, at) }
	}
	sweep := SweepOf(Remembering(turning), v)
	for _, c := range []struct {
		name string
		look func(row int, at bustime.Time)
	}{
		{"still/plain", row(still)},
		{"still/remembering", row(Remembering(still))},
		{"turning/plain", row(turning)},
		{"turning/remembering", row(Remembering(turning))},
		{"long-row/two-looks", func(row int, at bustime.Time) {
			turning.Row(dst, v, row, at)
			turning.Row(end, v, row, at.Add(200_000))
			for i := range dst {
				dst[i] += (end[i] - dst[i]) * float64(i) / 63
			}
		}},
		{"long-row/swept", func(row int, at bustime.Time) { sweep(dst, row, Sweep{0, 63, at, at.Add(200_000)}) }},
	} {
		b.Run(c.name, func(b *testing.B) {
			at := bustime.Time(0)
			for b.Loop() {
				for range 12 { // as many chips look at the same times
					for r := range 64 {
						c.look(r, at+bustime.Time(8000*r))
					}
				}
				at += 1e7
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(12*4096), "ns/pixel")
		})
	}
}
