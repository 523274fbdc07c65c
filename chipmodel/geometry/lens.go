package geometry

import (
	"fmt"
	"math"
	"strings"

	"facetd.example/api/invalid"
)

// maxSpread is the largest blur, in column pitches.
const maxSpread = 64

// Lens is the optics of one chip.
type Lens struct {
	Projection Projection

	// Full angles in degrees between the outer edges of the pixel array, measured through the lens along its two axes.
	// The two are independent (an anamorphic lens); VerticalFOVDeg gives the vertical one that belongs to a plain lens.
	HorizontalFOVDeg, VerticalFOVDeg float64

	// DistortionK1 is k1 of r_d = r (1 + k1 r^2), where r is the radius that the projection gives and r_d the one on
	// the
	// sensor, both in focal lengths: the first radial term of Brown, Photogrammetric Engineering 32 (1966) 444-462
	// (from
	// memory). 0 none, below 0 barrel, above 0 pincushion.
	DistortionK1 float64

	// Vignetting is the strength V of the natural falloff of light (cos^4 for a rectilinear lens): 1 - V + V falloff. 0
	// none ..
	// 1 full. Falloff is that of the lens itself, in its place.
	Vignetting float64
	Falloff    []FalloffPoint

	// BlurPixels is the standard deviation of the Gaussian blur of the lens's own errors, in column pitches; 0 none.
	BlurPixels float64

	// FNumber is that of the aperture; 0 for a lens that neither diffracts nor defocuses.
	FNumber float64
	// FocusM is the distance that is in focus and SubjectM that of what the lens looks at, in metres from the lens; 0
	// for
	// an infinite one, and for a subject that is in focus.
	FocusM, SubjectM float64
}

// VerticalFOVDeg returns the vertical field of view of a lens without distortion that has equal focal lengths in both
// axes and a horizontal field of view on a lattice; the widest that is accepted where there is none.
func (p Projection) VerticalFOVDeg(horizontalDeg float64, l Lattice) float64 {
	width, height := l.Extent()
	angle := p.Angle(p.Radius(Radians(horizontalDeg)/2) * height / width)
	if !(2*Degrees(angle) <= p.widest()) {
		return p.widest()
	}
	return 2 * Degrees(angle)
}

// Check returns what is wrong with a lens before a lattice that is right; its paths are those of the array file.
func (e Lens) Check(l Lattice) (m invalid.Errors) {
	most := e.Projection.widest()
	within(&m, "horizontal_fov_deg", e.HorizontalFOVDeg, 0.01, most, "degrees")
	within(&m, "vertical_fov_deg", e.VerticalFOVDeg, 0.01, most, "degrees")
	within(&m, "distortion_k1", e.DistortionK1, -1, 1, "")
	within(&m, "vignetting", e.Vignetting, 0, 1, "")
	within(&m, "blur_pixels", e.BlurPixels, 0, maxSpread, "pixels")
	m = append(m, e.checkFalloff()...)
	if len(m) == 0 {
		m = append(m, e.checkField()...)
	}
	if len(m) == 0 {
		m = append(m, e.checkAperture(l)...)
	}
	return m
}

// checkField checks that every point of the array sees something.
func (e Lens) checkField() (m invalid.Errors) {
	o := newOptic(e)
	if !o.unfolded() {
		m.Add("distortion_k1", fmt.Sprintf("with %g the picture folds back on itself within the field", e.DistortionK1),
			"give a smaller distortion or a smaller field of view")
		return m
	}
	ru, _ := o.undistort(math.Hypot(o.edgeX, o.edgeY))
	if angle := e.Projection.Angle(ru); math.IsNaN(angle) {
		m.Add("horizontal_fov_deg", fmt.Sprintf("the corners of the array would look %.4g degrees aside", Degrees(ru)),
			"there is nothing beyond 180 degrees from the axis; give a smaller field of view")
	}
	return m
}

// checkAperture checks the aperture and its distances, and the blur of all together.
func (e Lens) checkAperture(l Lattice) (m invalid.Errors) {
	distances := []struct {
		path   string
		metres float64
	}{{"focus_m", e.FocusM}, {"subject_m", e.SubjectM}}
	if e.FNumber == 0 {
		for _, d := range distances {
			if d.metres != 0 {
				m.Add(d.path, "the lens has no f_number, so nothing is out of focus",
					"give its f_number, or leave this out")
			}
		}
		return m
	}
	within(&m, "f_number", e.FNumber, 0.5, 256, "")
	a := e.Aperture(l)
	least := max(2e-3*a.FocalMM, 1e-4)
	for _, d := range distances {
		if d.metres != 0 && !(d.metres >= least && d.metres <= 1e6) {
			m.Add(d.path, fmt.Sprintf("%g m is out of range", d.metres), fmt.Sprintf(
				"use %.3g (twice the focal length of %.4g mm) to 1e+06, or leave it out for infinity", least,
				a.FocalMM))
		}
	}
	if len(m) > 0 {
		return m
	}
	if s := e.Spread(l); !(s.Pixels <= maxSpread) {
		m.Add("subject_m", fmt.Sprintf("it would be blurred over %.3g pixels", s.Pixels),
			fmt.Sprintf("the blur is at most %d pixels: give a larger f_number, or a focus_m nearer to it", maxSpread))
	}
	return m
}

// within adds an error for a value that is not between two others.
func within(m *invalid.Errors, path string, v, low, high float64, unit string) {
	switch {
	case v >= low && v <= high:
	case v == 0: // a number that was left out is 0 as well
		m.Add(path, invalid.Missing, strings.TrimSpace(fmt.Sprintf("give %g to %g %s", low, high, unit)))
	default:
		m.Add(path, fmt.Sprintf("%g %s is out of range", v, unit), fmt.Sprintf("use %g to %g", low, high))
	}
}
