// Package design works out lenses: from pixels and what must be seen to focal length, f-number and all that follows,
// and backwards from a lens to what it shows. It is pure.
//
// Lenses are thin, free of errors of their own unless a description gives them some, and in air. What of a scene moves
// is taken to move evenly.
package design

import (
	"fmt"
	"math"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel/geometry"
)

// Request is what is known of a lens and what is wanted of it.
type Request struct {
	// Lattice is that of the chip; one that geometry.Lattice.Check finds nothing wrong with.
	Lattice geometry.Lattice

	// Lens is a lens that is there, for what it shows; nil for one that is to be found.
	Lens *geometry.Lens

	// One of these five says what must be seen: the field along a row in degrees, the focal length, degrees per pixel
	// on the axis, or, at DistanceM, the width that a row covers or the size of what is to be as large as a pixel.
	FOVDeg, FocalMM, DegreesPerPixel, WidthM, DetailM float64
	// DistanceM is where things are, in metres from the lens; 0 where nothing is asked of a distance.
	DistanceM  float64
	Projection geometry.Projection

	// FNumber is given, or follows from what must be sharp: all from NearM to FarM, of which 0 stands for infinity.
	// Both
	// 0: nothing is told of sharpness.
	FNumber, NearM, FarM float64
	// FocusM is the distance in focus, 0 for infinity; it follows from NearM and FarM where those are given.
	FocusM float64
	// CircleUm is the diameter over which a point may be blurred; 0 for the column pitch.
	CircleUm float64
	// WavelengthUm is that of the light.
	WavelengthUm float64

	// RateDegPerS is how fast the lens turns, SpeedMPerS how fast it passes what is at DistanceM, ExposureS how long
	// the pixel takes its light: the exposure of linear pixels, the time constant of logarithmic ones.
	RateDegPerS, SpeedMPerS, ExposureS float64
}

// Find works a lens out. What contradicts itself, or cannot be had, comes back as errors, by the names of the command
// line's flags.
func Find(r Request) (*Result, invalid.Errors) {
	var m invalid.Errors
	r.check(&m)
	if len(m) > 0 {
		return nil, m
	}
	if r.CircleUm == 0 {
		r.CircleUm = r.Lattice.PitchXUm
	}
	lens, m := r.lens()
	if len(m) > 0 {
		return nil, m
	}
	if m = append(m, lens.Check(r.Lattice).Under("lens")...); len(m) > 0 {
		return nil, m
	}
	return r.result(lens), nil
}

func (r Request) check(m *invalid.Errors) {
	for _, f := range []struct {
		flag string
		v    float64
		most float64
		unit string
	}{
		{"fov", r.FOVDeg, 360, "degrees"}, {"focal", r.FocalMM, 1e4, "mm"},
		{"degrees-per-pixel", r.DegreesPerPixel, 90, "degrees"}, {"width", r.WidthM, 1e6, "m"},
		{"detail", r.DetailM, 1e3, "m"}, {"distance", r.DistanceM, 1e6, "m"}, {"f-number", r.FNumber, 256, ""},
		{"near", r.NearM, 1e6, "m"}, {"far", r.FarM, 1e6, "m"}, {"focus", r.FocusM, 1e6, "m"},
		{"circle", r.CircleUm, 1e4, "um"}, {"rate", r.RateDegPerS, 1e6, "degrees a second"},
		{"speed", r.SpeedMPerS, 1e6, "m a second"}, {"exposure", r.ExposureS, 3600, "s"},
	} {
		if !(f.v >= 0 && f.v <= f.most) {
			m.Add(f.flag, fmt.Sprintf("%g is out of range", f.v), fmt.Sprintf("use 0 to %g %s", f.most, f.unit))
		}
	}
	if !(r.WavelengthUm >= 0.2 && r.WavelengthUm <= 2) {
		m.Add("wavelength", fmt.Sprintf("%g nm is out of range", 1000*r.WavelengthUm), "use 200 to 2000 nm")
	}
	given := 0
	for _, v := range []float64{r.FOVDeg, r.FocalMM, r.DegreesPerPixel, r.WidthM, r.DetailM} {
		if v != 0 {
			given++
		}
	}
	if r.Lens == nil && given != 1 {
		m.Add("fov", fmt.Sprintf("%d of fov, focal, degrees-per-pixel, width and detail are given", given),
			"give one of them, or a class of chip for the lens that its array describes")
	}
	if (r.WidthM != 0 || r.DetailM != 0 || r.SpeedMPerS != 0) && r.DistanceM == 0 {
		m.Add("distance", invalid.Missing, "say how far away that is")
	}
	if r.FarM != 0 && r.NearM == 0 {
		m.Add("near", invalid.Missing, "say from where on all must be sharp")
	}
	if r.NearM != 0 && r.FNumber != 0 {
		m.Add("f-number", "follows from near and far", "leave it out, or near and far")
	}
	if r.NearM != 0 && r.FocusM != 0 {
		m.Add("focus", "follows from near and far", "leave it out, or near and far")
	}
	if r.FarM != 0 && !(r.FarM > r.NearM) {
		m.Add("far", fmt.Sprintf("%g m is not beyond near, %g m", r.FarM, r.NearM), "")
	}
}

// lens finds the lens that is wanted.
func (r Request) lens() (geometry.Lens, invalid.Errors) {
	var m invalid.Errors
	width, height := r.Lattice.Extent()
	e := geometry.Lens{Projection: r.Projection, Vignetting: 1, FocusM: r.FocusM, FNumber: r.FNumber}
	if r.Lens != nil {
		e = *r.Lens
		if r.FNumber != 0 {
			e.FNumber = r.FNumber
		}
		if r.FocusM != 0 {
			e.FocusM = r.FocusM
		}
	} else {
		pitches := r.focalPitches(width) // focal length in column pitches
		field := func(flag string, side float64) float64 {
			deg := 2 * geometry.Degrees(e.Projection.Angle(side/2/pitches))
			if !(deg > 0) {
				m.Add(flag, "no lens of this projection has such a field", "use another projection, or see less")
			}
			return deg
		}
		e.HorizontalFOVDeg = field("fov", width)
		e.VerticalFOVDeg = field("fov", height)
		if len(m) > 0 {
			return e, m[:1]
		}
	}
	if r.NearM != 0 {
		m = r.sharp(&e)
	}
	if e.FNumber == 0 {
		e.FocusM, e.SubjectM = 0, 0 // which nothing can be told of
	}
	return e, m
}

// focalPitches is the focal length wanted, in column pitches.
func (r Request) focalPitches(width float64) float64 {
	switch {
	case r.FocalMM > 0:
		return 1000 * r.FocalMM / r.Lattice.PitchXUm
	case r.DegreesPerPixel > 0:
		return 1 / geometry.Radians(r.DegreesPerPixel) // every projection here has the slope 1 on its axis
	case r.DetailM > 0:
		return r.DistanceM / r.DetailM
	case r.WidthM > 0:
		return width / 2 / r.Projection.Radius(math.Atan(r.WidthM/2/r.DistanceM))
	}
	return width / 2 / r.Projection.Radius(geometry.Radians(r.FOVDeg)/2)
}

// sharp sets f-number and focus so that the blur is the circle at both ends of what must be sharp. Of
// near = s (H - f)/(H + s - 2 f) and far = s (H - f)/(H - s) follow 1/near + 1/far = 2/s and
// 1/near - 1/far = 2 (s - f)/(s (H - f)), where H - f = f^2/(N c) (derived).
func (r Request) sharp(e *geometry.Lens) (m invalid.Errors) {
	f := 1e-3 * e.Aperture(r.Lattice).FocalMM
	farther := 0.0 // 1/far
	if r.FarM > 0 {
		farther = 1 / r.FarM
	}
	s := 2 / (1/r.NearM + farther)
	if s <= 2*f {
		m.Add("near", fmt.Sprintf("the distance in focus would be %.3g m, at most twice the focal length of %.3g m", s,
			f),
			"ask for less that is near")
		return m
	}
	reach := 2 * (s - f) / (s * (1/r.NearM - farther))
	e.FocusM, e.FNumber = s, f*f/(1e-6*r.CircleUm*reach)
	if e.FNumber < 0.5 {
		e.FNumber = 0.5 // it has more depth than was asked for with the widest aperture there is
	}
	if e.FNumber > 256 {
		m.Add("near", fmt.Sprintf("that much depth needs f/%.4g", e.FNumber), "ask for less depth, or a larger circle")
	}
	return m
}
