package geometry

import "math"

const (
	// WavelengthUm is the light for which diffraction is reckoned: the peak of daylight vision (CIE 1924; from memory),
	// since light is given in lux.
	WavelengthUm = 0.555
	// airyZero is the first zero of the Bessel function J1 over pi, the 1.22 of 1.22 lambda N.
	airyZero = 1.2196698912665045
	// airySigma is the standard deviation, in lambda N, of the Gaussian of the same peak that is nearest to an Airy
	// disc,
	// by least squares over the plane (0.21 lambda/NA: Zhang, Zerubia and Olivo-Marin, Applied Optics 46 (2007)
	// 1819-1829; from memory, and found anew by a test). The variance of the disc itself is infinite.
	airySigma = 0.42
)

// Aperture is what of a lens decides on sharpness: a thin lens, with distances from it.
type Aperture struct {
	// FocalMM is the focal length in millimetres, of an anamorphic lens the geometric mean of its two.
	FocalMM float64
	// FNumber is above 0.
	FNumber float64
	// FocusM is the distance in focus in metres, beyond the focal length; 0 for infinity.
	FocusM float64
}

// Aperture returns that of a lens before a lattice.
func (e Lens) Aperture(l Lattice) Aperture {
	fx, fy := newOptic(e).perPitch(l)
	return Aperture{FocalMM: l.PitchXUm * 1e-3 / math.Sqrt(fx*fy), FNumber: e.FNumber, FocusM: e.FocusM}
}

// WorkingFNumber is the f-number at the distance in focus, N (1 + m) under a magnification m.
func (a Aperture) WorkingFNumber() float64 {
	if a.FocusM == 0 {
		return a.FNumber
	}
	return a.FNumber * a.FocusM / (a.FocusM - 1e-3*a.FocalMM)
}

// AiryUm is the radius of the first dark ring of a point in focus, 1.22 lambda N, in micrometres.
func (a Aperture) AiryUm(wavelengthUm float64) float64 {
	return airyZero * wavelengthUm * a.WorkingFNumber()
}

// HyperfocalM is the nearest distance, in metres, that can be in focus with points at infinity blurred over no more
// than
// a circle of a diameter in micrometres: f^2/(N c) + f. (Greenleaf, Photographic Optics (1950), as quoted at
// dofmaster.com/equations.html.)
func (a Aperture) HyperfocalM(circleUm float64) float64 {
	return a.FocalMM*a.FocalMM/(a.FNumber*circleUm) + 1e-3*a.FocalMM
}

// DepthOfFieldM is from where to where, in metres, points are blurred over no more than a circle of a diameter in
// micrometres: s (H - f)/(H + s - 2 f) to s (H - f)/(H - s), with the hyperfocal distance H (source as there); far is
// infinite for a distance in focus at or beyond it.
func (a Aperture) DepthOfFieldM(circleUm float64) (near, far float64) {
	h, f, s := a.HyperfocalM(circleUm), 1e-3*a.FocalMM, a.FocusM
	if s == 0 {
		return h - f, math.Inf(1)
	}
	near, far = s*(h-f)/(h+s-2*f), math.Inf(1)
	if s < h {
		far = s * (h - f) / (h - s)
	}
	return near, far
}

// BlurUm is the diameter in micrometres of the disc over which a point at a distance in metres is blurred, 0 standing
// for infinity: f^2 |d - s| / (N d (s - f)).
func (a Aperture) BlurUm(distanceM float64) float64 {
	f, s, d := 1e-3*a.FocalMM, a.FocusM, distanceM
	var over float64 // |d - s| / (d (s - f))
	switch {
	case s == 0 && d == 0:
		return 0
	case s == 0:
		over = 1 / d
	case d == 0:
		over = 1 / (s - f)
	default:
		over = math.Abs(d-s) / (d * (s - f))
	}
	return 1e6 * f * f / a.FNumber * over
}

// Spread is how a lens blurs a point: the parts, and the standard deviation of the Gaussian that stands for all.
type Spread struct {
	// OwnPixels is the blur of the lens's own errors, DiffractionPixels that of an Airy disc, DefocusPixels that of the
	// disc of a subject out of focus (a quarter of its diameter): standard deviations in column pitches.
	OwnPixels, DiffractionPixels, DefocusPixels float64
	// Pixels is the root of the sum of their squares.
	Pixels float64
}

// Spread returns the blur of a lens before a lattice, of its subject.
func (e Lens) Spread(l Lattice) Spread {
	s := Spread{OwnPixels: e.BlurPixels}
	if e.FNumber == 0 {
		s.Pixels = s.OwnPixels // exactly
		return s
	}
	a := e.Aperture(l)
	s.DiffractionPixels = airySigma * WavelengthUm * a.WorkingFNumber() / l.PitchXUm
	if e.SubjectM != 0 {
		s.DefocusPixels = a.BlurUm(e.SubjectM) / 4 / l.PitchXUm
	}
	s.Pixels = math.Sqrt(s.OwnPixels*s.OwnPixels + s.DiffractionPixels*s.DiffractionPixels +
		s.DefocusPixels*s.DefocusPixels)
	return s
}
