package budget

import (
	"fmt"
	"math"
	"strings"

	"facetd.example/chipmodel/geometry"
)

// Optics is what the lens of the chip shows it, in the simulation: how sharply, from where to where, and how much less
// light in the corners.
type Optics struct {
	Projection string `json:"projection"`
	// FocalMM is the focal length, of an anamorphic lens the geometric mean of its two; DegreesPerPixel is what a
	// column
	// pitch sees on the axis.
	FocalMM         float64 `json:"focal_mm"`
	DegreesPerPixel float64 `json:"degrees_per_pixel"`
	// CornerDeg is the angle from the axis of the pixel furthest from it, and CornerLight its light relative to the
	// axis.
	CornerDeg   float64 `json:"corner_deg"`
	CornerLight float64 `json:"corner_light"`
	// BlurPixels is the standard deviation of the whole blur in column pitches: that of the lens's own errors, of
	// diffraction and of a subject out of focus.
	BlurPixels        float64 `json:"blur_pixels"`
	OwnPixels         float64 `json:"own_pixels"`
	DiffractionPixels float64 `json:"diffraction_pixels"`
	DefocusPixels     float64 `json:"defocus_pixels"`
	// Focus is nil for a lens without an f-number, which neither diffracts nor defocuses.
	Focus *Focus `json:"focus,omitempty"`
}

// Focus is how far from the distance in focus a lens is sharp: where a point is blurred over no more than one column
// pitch.
type Focus struct {
	FNumber        float64 `json:"f_number"`
	WorkingFNumber float64 `json:"working_f_number"`
	// AiryUm is the radius of the first dark ring around a point, at 555 nm; CircleUm the circle of confusion.
	AiryUm   float64 `json:"airy_um"`
	CircleUm float64 `json:"circle_um"`
	// DistanceM is in focus; 0 is infinity. HyperfocalM is the nearest distance that can be in focus with infinity
	// sharp.
	DistanceM   float64 `json:"distance_m,omitempty"`
	HyperfocalM float64 `json:"hyperfocal_m"`
	NearM       float64 `json:"near_m"`
	// FarM is nil where all beyond is sharp.
	FarM *float64 `json:"far_m,omitempty"`
}

// optics reports on a camera.
func optics(c *geometry.Camera) Optics {
	l, lens, blur := c.Lattice(), c.Lens(), c.Spread()
	a := lens.Aperture(l)
	middle := c.Sight(0, 0)
	out := Optics{Projection: lens.Projection.String(), FocalMM: a.FocalMM,
		DegreesPerPixel: math.Hypot(middle.Right[0], math.Hypot(middle.Right[1], middle.Right[2])) * 180 / math.Pi,
		CornerLight:     1, BlurPixels: blur.Pixels, OwnPixels: blur.OwnPixels,
		DiffractionPixels: blur.DiffractionPixels, DefocusPixels: blur.DefocusPixels}
	for _, row := range []int{0, l.Rows - 1} {
		for _, column := range []int{0, l.Columns - 1} {
			if s := c.Pixel(row, column); s.Angle*180/math.Pi >= out.CornerDeg {
				out.CornerDeg, out.CornerLight = s.Angle*180/math.Pi, s.Light
			}
		}
	}
	if lens.FNumber == 0 {
		return out
	}
	near, far := a.DepthOfFieldM(l.PitchXUm)
	out.Focus = &Focus{FNumber: lens.FNumber, WorkingFNumber: a.WorkingFNumber(),
		AiryUm:   a.AiryUm(geometry.WavelengthUm),
		CircleUm: l.PitchXUm, DistanceM: lens.FocusM, HyperfocalM: a.HyperfocalM(l.PitchXUm), NearM: near}
	if !math.IsInf(far, 1) {
		out.Focus.FarM = &far
	}
	return out
}

// lines writes the optics for people.
func (o Optics) lines() string {
	var out strings.Builder
	fmt.Fprintf(&out, "lens: %s, %.3g mm, %.3g degrees a pixel; the corners, %.3g degrees aside, get %.1f %% of the "+
		"light\n",
		o.Projection, o.FocalMM, o.DegreesPerPixel, o.CornerDeg, 100*o.CornerLight)
	fmt.Fprintf(&out, "blur: %.3g pixels (the lens %.3g, diffraction %.3g, defocus %.3g)\n", o.BlurPixels, o.OwnPixels,
		o.DiffractionPixels, o.DefocusPixels)
	f := o.Focus
	if f == nil {
		return out.String() + "depth of field: unlimited, since the array file gives the lens no f_number\n"
	}
	distance, far := "infinity", "infinity"
	if f.DistanceM > 0 {
		distance = metres(f.DistanceM)
	}
	if f.FarM != nil {
		far = metres(*f.FarM)
	}
	fmt.Fprintf(&out, "depth of field: %s to %s within a circle of one pixel (%.3g um), at f/%.3g in focus at %s\n",
		metres(f.NearM), far, f.CircleUm, f.FNumber, distance)
	fmt.Fprintf(&out, "hyperfocal distance %s; Airy radius %.3g um\n", metres(f.HyperfocalM), f.AiryUm)
	return out.String()
}

// metres writes a distance.
func metres(m float64) string {
	if m < 1 {
		return fmt.Sprintf("%.3g mm", 1000*m)
	}
	return fmt.Sprintf("%.4g m", m)
}
