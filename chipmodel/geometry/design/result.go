package design

import (
	"math"

	"facetd.example/chipmodel/geometry"
)

// HexagonalSaving is how many pixels fewer a hexagonal lattice needs than a square one for the same detail in every
// direction, 1 - sqrt(3)/2 (Petersen and Middleton 1962; Mersereau 1979: 13.4 %, seen as quoted; derived).
const HexagonalSaving = 1 - 0.8660254037844386

// Result is a lens and what it shows.
type Result struct {
	Projection string  `json:"projection"`
	PitchUm    float64 `json:"pitch_um"`
	FocalMM    float64 `json:"focal_mm"`
	// ImageCircleMM is the diameter of the circle that the lens must fill: that around the array.
	ImageCircleMM     float64 `json:"image_circle_mm"`
	HorizontalFOVDeg  float64 `json:"horizontal_fov_deg"`
	VerticalFOVDeg    float64 `json:"vertical_fov_deg"`
	DiagonalFOVDeg    float64 `json:"diagonal_fov_deg"`
	SolidAngleSr      float64 `json:"solid_angle_sr"`
	DegreesPerPixel   float64 `json:"degrees_per_pixel"`
	CornerDegPerPixel float64 `json:"corner_degrees_per_pixel"`
	// CornerLight is the light at the corners of the array, relative to the axis.
	CornerLight float64 `json:"corner_light"`
	// PixelMTF is what the area of a pixel leaves of the contrast of the finest pattern that the lattice can tell, two
	// pixels long, and BinnedMTF what a block of two leaves of a pattern of four pixels: the same.
	PixelMTF  float64 `json:"pixel_mtf"`
	BinnedMTF float64 `json:"binned_mtf"`
	// HexagonalSavingPercent is how many pixels fewer a hexagonal lattice needs for the same detail in all directions.
	HexagonalSavingPercent float64 `json:"hexagonal_saving_percent"`

	Focus  *Focus  `json:"focus,omitempty"`
	Reach  *Reach  `json:"reach,omitempty"`
	Motion *Motion `json:"motion,omitempty"`
}

// Focus is how sharp a lens with an f-number is.
type Focus struct {
	FNumber float64 `json:"f_number"`
	// AiryUm is the radius of the first dark ring of a point at infinity, AiryPixels the same in column pitches, and
	// WorkingAiryUm that with the lens in focus at DistanceM.
	AiryUm        float64 `json:"airy_um"`
	AiryPixels    float64 `json:"airy_pixels"`
	WorkingAiryUm float64 `json:"working_airy_um"`
	// PixelFNumber is the f-number at which the Airy radius is a pixel: above it the lens is coarser than the lattice.
	PixelFNumber float64 `json:"pixel_f_number"`
	// LensMTF is what diffraction leaves of the contrast of the finest pattern of the lattice, and MTF what lens and
	// pixel leave together, with the lens's own blur.
	LensMTF     float64 `json:"lens_mtf"`
	MTF         float64 `json:"mtf"`
	CircleUm    float64 `json:"circle_um"`
	HyperfocalM float64 `json:"hyperfocal_m"`
	// DistanceM is in focus; 0 is infinity. FarM is nil where all beyond is sharp.
	DistanceM float64  `json:"distance_m"`
	NearM     float64  `json:"near_m"`
	FarM      *float64 `json:"far_m"`
}

// Reach is what is seen at a distance, straight ahead.
type Reach struct {
	DistanceM float64 `json:"distance_m"`
	// WidthM and HeightM are what a row and a column cover of a flat wall; nil for fields of 180 degrees and more.
	WidthM  *float64 `json:"width_m"`
	HeightM *float64 `json:"height_m"`
	PixelMM float64  `json:"pixel_mm"`
	// BlurPixels is the diameter of the disc of a point there; nil without an f-number.
	BlurPixels *float64 `json:"blur_pixels,omitempty"`
}

// Motion is what is lost where the picture moves.
type Motion struct {
	// RateDegPerS is how fast the picture turns on the axis: the lens with what passes.
	RateDegPerS  float64 `json:"rate_deg_per_s"`
	PixelsPerS   float64 `json:"pixels_per_s"`
	ExposureS    float64 `json:"exposure_s"`
	BlurPixels   float64 `json:"blur_pixels"`
	MTF          float64 `json:"mtf"` // of the finest pattern of the lattice
	OnePixelRate float64 `json:"one_pixel_rate_deg_per_s,omitempty"`
}

func (r Request) result(e geometry.Lens) *Result {
	c := geometry.New(r.Lattice, geometry.Mount{}, e)
	width, height := r.Lattice.Extent()
	a := e.Aperture(r.Lattice)
	middle, corner := c.Sight(0, 0), c.Sight(width/2, height/2)
	per := geometry.Degrees(geometry.Length(middle.Right))
	out := &Result{Projection: e.Projection.String(), PitchUm: r.Lattice.PitchXUm, FocalMM: a.FocalMM,
		ImageCircleMM:    1e-3 * r.Lattice.PitchXUm * math.Hypot(width, height),
		HorizontalFOVDeg: e.HorizontalFOVDeg, VerticalFOVDeg: e.VerticalFOVDeg,
		DiagonalFOVDeg: 2 * geometry.Degrees(corner.Angle),
		SolidAngleSr:   solidAngle(c), DegreesPerPixel: per,
		CornerDegPerPixel: geometry.Degrees(math.Sqrt(corner.SolidAngle)),
		CornerLight:       corner.Light, PixelMTF: sinc(0.5), BinnedMTF: sinc(2 * 0.25),
		HexagonalSavingPercent: 100 * HexagonalSaving}
	if e.FNumber > 0 {
		out.Focus = r.focus(e, a)
	}
	if r.DistanceM > 0 {
		out.Reach = r.reach(e, a, per)
	}
	if r.RateDegPerS > 0 || r.SpeedMPerS > 0 || r.ExposureS > 0 {
		out.Motion = r.motion(per)
	}
	return out
}

func (r Request) focus(e geometry.Lens, a geometry.Aperture) *Focus {
	far0 := a
	far0.FocusM = 0
	near, far := a.DepthOfFieldM(r.CircleUm)
	f := &Focus{FNumber: a.FNumber, AiryUm: far0.AiryUm(r.WavelengthUm), WorkingAiryUm: a.AiryUm(r.WavelengthUm),
		CircleUm: r.CircleUm, HyperfocalM: a.HyperfocalM(r.CircleUm), DistanceM: a.FocusM, NearM: near,
		LensMTF: DiffractionMTF(0.5, a.WorkingFNumber(), r.WavelengthUm, r.Lattice.PitchXUm)}
	f.AiryPixels = f.AiryUm / r.Lattice.PitchXUm
	f.PixelFNumber = a.FNumber / f.AiryPixels
	f.MTF = f.LensMTF * sinc(0.5) * GaussianMTF(0.5, e.BlurPixels)
	if !math.IsInf(far, 1) {
		f.FarM = &far
	}
	return f
}

func (r Request) reach(e geometry.Lens, a geometry.Aperture, per float64) *Reach {
	out := &Reach{DistanceM: r.DistanceM, PixelMM: 1000 * r.DistanceM * geometry.Radians(per)}
	for _, side := range []struct {
		deg float64
		to  **float64
	}{{e.HorizontalFOVDeg, &out.WidthM}, {e.VerticalFOVDeg, &out.HeightM}} {
		if side.deg < 180 {
			v := 2 * r.DistanceM * math.Tan(geometry.Radians(side.deg)/2)
			*side.to = &v
		}
	}
	if a.FNumber > 0 {
		v := a.BlurUm(r.DistanceM) / r.Lattice.PitchXUm
		out.BlurPixels = &v
	}
	return out
}

func (r Request) motion(per float64) *Motion {
	rate := r.RateDegPerS
	if r.SpeedMPerS > 0 {
		rate += geometry.Degrees(r.SpeedMPerS / r.DistanceM)
	}
	m := &Motion{RateDegPerS: rate, PixelsPerS: rate / per, ExposureS: r.ExposureS}
	m.BlurPixels = m.PixelsPerS * r.ExposureS
	m.MTF = math.Abs(sinc(0.5 * m.BlurPixels))
	if r.ExposureS > 0 {
		m.OnePixelRate = per / r.ExposureS
	}
	return m
}

// solidAngle is what the array sees: of a rectilinear lens without distortion 4 asin(sin(a/2) sin(b/2)), the solid
// angle of a pyramid (from memory), of others the sum over a lattice.
func solidAngle(c *geometry.Camera) float64 {
	e := c.Lens()
	if e.Projection == geometry.Rectilinear && e.DistortionK1 == 0 {
		across, along := geometry.Radians(e.HorizontalFOVDeg), geometry.Radians(e.VerticalFOVDeg)
		return 4 * math.Asin(math.Sin(across/2)*math.Sin(along/2))
	}
	const n = 32 // even; Simpson's rule along both axes
	width, height := c.Lattice().Extent()
	weight := func(i int) float64 {
		switch {
		case i == 0 || i == n:
			return 1.0 / 3
		case i%2 == 1:
			return 4.0 / 3
		}
		return 2.0 / 3
	}
	sum := 0.0
	for i := range n + 1 {
		for j := range n + 1 {
			at := c.Sight(width*(float64(i)/n-0.5), height*(float64(j)/n-0.5))
			sum += weight(i) * weight(j) * at.SolidAngle
		}
	}
	return sum * width * height / (n * n)
}

// DiffractionMTF is the contrast that a circular aperture in focus leaves of a pattern of a frequency in cycles per
// pixel of a pitch: 2/pi (acos v - v sqrt(1 - v^2)) with v the frequency times lambda N (Goodman, Introduction to
// Fourier Optics; from memory).
func DiffractionMTF(cycles, fNumber, wavelengthUm, pitchUm float64) float64 {
	v := cycles * wavelengthUm * fNumber / pitchUm
	if v >= 1 {
		return 0
	}
	return 2 / math.Pi * (math.Acos(v) - v*math.Sqrt(1-v*v))
}

// GaussianMTF is the contrast that a Gaussian blur of a standard deviation in pixels leaves of a pattern of a frequency
// in cycles per pixel.
func GaussianMTF(cycles, sigma float64) float64 {
	return math.Exp(-2 * math.Pi * math.Pi * cycles * cycles * sigma * sigma)
}

// sinc is sin(pi x)/(pi x): the contrast that an average over x periods of a pattern leaves of it.
func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}
