package scene

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"testing"
)

// softSpot is a black panorama with one bell of light of a standard deviation in degrees: without edges, so that what
// is off is the area over which pixels average.
func softSpot(azimuthDeg, elevationDeg, sigmaDeg float64) image.Image {
	img := image.NewGray16(image.Rect(0, 0, 720, 360))
	sx, sy, sz := direction(azimuthDeg, elevationDeg)
	for y := range 360 {
		for x := range 720 {
			dx, dy, dz := direction(180-(float64(x)+0.5)/2, 90-(float64(y)+0.5)/2)
			away := degrees(math.Acos(min(max(dx*sx+dy*sy+dz*sz, -1), 1))) / sigmaDeg
			img.SetGray16(x, y, color.Gray16{Y: uint16(65535 * encodeSRGB(math.Exp(-away*away/2)))})
		}
	}
	return img
}

// TestPixelsAverageOverTheirOwnShape: pixels far from square, by their pitches or by a lens that is anamorphic or looks
// far aside, against dense sampling of each pixel's own quadrilateral. Worst is the largest difference of a pixel over
// the peak of the frame; where the lens blurs, the kernel of the pyramid differs from a Gaussian, for square pixels
// too.
func TestPixelsAverageOverTheirOwnShape(t *testing.T) {
	for _, c := range []struct {
		name    string
		lattice Lattice
		optics  Optics
		spot    [3]float64 // azimuth, elevation, deviation in degrees
		worst   float64
	}{
		{"square", Lattice{Rows: 24, Columns: 24, PitchXUm: 10, PitchYUm: 10},
			Optics{HorizontalFOVDeg: 30, VerticalFOVDeg: 30}, [3]float64{2, 1, 1.5}, 0.02},
		{"5.6 times as high as wide", Lattice{Rows: 9, Columns: 50, PitchXUm: 10, PitchYUm: 56},
			Optics{HorizontalFOVDeg: 50, VerticalFOVDeg: 50.4}, [3]float64{2, 1, 1.5}, 0.02},
		{"5.6 times as wide as high", Lattice{Rows: 50, Columns: 9, PitchXUm: 56, PitchYUm: 10},
			Optics{HorizontalFOVDeg: 50.4, VerticalFOVDeg: 50}, [3]float64{2, 1, 1.5}, 0.02},
		{"anamorphic, turned", Lattice{Rows: 24, Columns: 24, PitchXUm: 10, PitchYUm: 10},
			Optics{YawDeg: 50, PitchDeg: 30, RollDeg: 33, HorizontalFOVDeg: 90, VerticalFOVDeg: 20},
			[3]float64{50, 30, 1.5}, 0.02},
		{"half as wide again", Lattice{Rows: 24, Columns: 24, PitchXUm: 10, PitchYUm: 10},
			Optics{HorizontalFOVDeg: 45, VerticalFOVDeg: 30}, [3]float64{1, 2, 1.2}, 0.02},
		{"far aside: thin along the diagonal", Lattice{Rows: 40, Columns: 40, PitchXUm: 10, PitchYUm: 10},
			Optics{HorizontalFOVDeg: 140, VerticalFOVDeg: 140}, [3]float64{-52, 44, 1.5}, 0.02},
		{"square and blurred", Lattice{Rows: 36, Columns: 36, PitchXUm: 10, PitchYUm: 10},
			Optics{HorizontalFOVDeg: 40, VerticalFOVDeg: 40, BlurPixels: 1.2}, [3]float64{2, 1, 1.2}, 0.07},
		{"oblong and blurred", Lattice{Rows: 12, Columns: 36, PitchXUm: 10, PitchYUm: 30},
			Optics{HorizontalFOVDeg: 40, VerticalFOVDeg: 40, BlurPixels: 1.2}, [3]float64{2, 1, 1.2}, 0.07},
	} {
		t.Run(c.name, func(t *testing.T) {
			img := softSpot(c.spot[0], c.spot[1], c.spot[2])
			got := frame(mustPanorama(t, img, PanoramaOptions{LuxHigh: 1}), mustView(t, c.lattice, c.optics), 0)
			each := 20 // rays across a pixel
			if c.optics.BlurPixels > 0 {
				each = 40
			}
			want := supersampled(linearise(img), c.lattice, c.optics, Pose{}, 0, each)
			peak, worst, at := 0.0, 0.0, ""
			for r := range want {
				for column, w := range want[r] {
					peak = max(peak, w)
					if off := math.Abs(got[r][column] - w); off > worst {
						worst, at = off, fmt.Sprintf("row %d column %d: %.4f, want %.4f", r, column, got[r][column], w)
					}
				}
			}
			t.Logf("off by %.1f %% of the peak (%.3f)", 100*worst/peak, peak)
			if worst > c.worst*peak {
				t.Errorf("off by %.1f %% of the peak, at %s", 100*worst/peak, at)
			}
		})
	}
}
