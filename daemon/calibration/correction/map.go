package correction

import (
	"math"

	"facetd.example/api/invalid"
)

// Method is how a correction map corrects.
type Method uint8

const (
	// Offset subtracts from each pixel what it lies above the mean pixel, as seen in one
	// level. It is right at that light; elsewhere what slopes and dark terms differ by comes
	// back.
	Offset Method = 1 + iota
	// OffsetGain is (y - A)/B of each pixel: a straight line over the mean pixel, by least
	// squares from two or more levels. It serves linear pixels, and logarithmic ones where the
	// light is well above their dark terms. The light need not be known, only be equal for all
	// pixels.
	OffsetGain
	// LogResponse finds the light that a pixel's own y = a + b ln(c + x) says and gives
	// the mean pixel's response to it (Joseph and Collins, IEEE Trans. Instrum. Meas. 51(5),
	// 2002; seen in the abstract), by least squares from three or more levels of known light.
	//
	// Light that is uneven in the same way at every level, g_j x on pixel j, gives the same
	// curves with ln g_j in a and c/g_j for c: the correction map then takes out the pattern
	// of the lamp and of the lens along with that of the pixels, which is wanted of a lens and
	// not of a lamp. A level whose light is not what was said bends all pixels' fits alike:
	// corrected frames stay nearly as even, but the light that they say is wrong, and
	// LevelReport's MisfitCodes stands out there (with three levels nothing can).
	LogResponse
)

func (m Method) String() string {
	switch m {
	case Offset:
		return "offset"
	case OffsetGain:
		return "offset and gain"
	case LogResponse:
		return "log response"
	}
	return "unknown"
}

// MinLevels is how many illumination levels a method needs.
func (m Method) MinLevels() int { return int(m) }

// planes is how many parameters a pixel has.
func (m Method) planes() int { return int(m) }

// Response is the mean pixel of a LogResponse correction map: y = A + B ln(C + x), A and B in codes
// (B per e-fold), C and x in lux. Of other correction maps it is zero.
type Response struct{ A, B, C float64 }

// Code is the response to a light in lux, in codes.
func (r Response) Code(lux float64) float64 { return r.A + r.B*math.Log(r.C+lux) }

// Level is frames taken under one uniform light.
type Level struct {
	// Lux is the light; below 0 when it is not known. Only LogResponse needs it. For
	// PhotonTransfer it is the exposure in any unit proportional to photons per pixel.
	Lux float64
	// Frames are the frames, at least two.
	Frames *Accumulator
}

// Options adjust a fit. The zero value is good.
type Options struct {
	// Kelvin is the temperature at which the frames were taken, 0 when unknown.
	Kelvin float64
	// FalseRate is the part of good pixels that may be called defective when fixed
	// pattern and noise are normal, over all tests together; 0 means 1e-5. At most 1e-4.
	FalseRate float64
	// CodesPerDecade turns the report's codes into decades of light for correction maps that do not
	// know their pixels' slope; 0 leaves decades at 0. LogResponse uses its own.
	CodesPerDecade float64
}

const defaultFalseRate = 1e-5

func (o Options) check(m *invalid.Errors) {
	if !(o.FalseRate >= 0 && o.FalseRate <= 1e-4) {
		m.Add("false_rate", "the rate of false defects is outside 0 to 1e-4", "leave it out for 1e-5")
	}
	if !(o.Kelvin >= 0) || !finite(o.Kelvin) {
		m.Add("kelvin", "the temperature is below absolute zero or no number",
			"give kelvin, or 0 where it is not known")
	}
	if !finite(o.CodesPerDecade) {
		m.Add("codes_per_decade", "the slope is no number", "leave it out when not known")
	}
}

// Map is the correction of one view of one chip. Its fields are to be read, not changed:
// Fit functions, UpdateOffsets and Decode make it, and it may then be used by several goroutines
// at once.
type Map struct {
	Shape  Shape
	Scale  Scale
	Method Method
	// Kelvin is the temperature of its frames, 0 when unknown.
	Kelvin float64
	// FalseRate is the rate of false defects that its tests were set to.
	FalseRate float64
	// CodesPerDecade is the slope that turns codes into decades of light, 0 when unknown.
	CodesPerDecade float64
	// Mean is the mean pixel's response, for LogResponse.
	Mean Response
	// DarkResolved is set when the levels told each pixel's own dark term C; otherwise all
	// pixels have the mean pixel's, and only offsets and slopes are their own.
	DarkResolved bool
	// Offset, Gain and Dark are each pixel's parameters, row by row. Offset correction map: Offset
	// is what is subtracted, in codes. OffsetGain: A in codes and B. LogResponse: a in codes, b in
	// codes per e-fold, c in lux. What a method has not is nil. Defective pixels have those of the
	// mean pixel.
	Offset, Gain, Dark []float32
	// Defects are the defective pixels in order of their index.
	Defects []Defect
	// Levels reports, for each level in the order given, what the correction leaves.
	Levels []LevelReport

	logs []logPixel // LogResponse
	inv  []float32  // OffsetGain: 1/B
	fill []filling
}

// LevelReport is what is left at one illumination level. Fixed patterns are standard deviations
// over the good pixels of their temporal mean, with the part that temporal noise over the
// square root of the number of frames has in it taken out.
type LevelReport struct {
	// Lux is the light, below 0 when unknown. Frames is how many frames it stands on.
	Lux    float64
	Frames int
	// MeanCode is the mean of the good pixels in codes.
	MeanCode float64
	// NoiseCodes is the temporal noise of one frame in codes: root of the mean variance.
	NoiseCodes float64
	// BeforeCodes and AfterCodes are the fixed pattern without and with correction.
	BeforeCodes, AfterCodes float64
	// MisfitCodes is how far the mean of the good pixels lies above the mean pixel's fitted
	// response; 0 for correction maps without one. A level whose light is not what was said stands
	// out here.
	MisfitCodes float64
}

// BeforeVolts and AfterVolts are the fixed pattern in volts.
func (m *Map) BeforeVolts(level int) float64 {
	return m.Levels[level].BeforeCodes * m.Scale.VoltsPerCode
}

// AfterVolts is the fixed pattern that is left, in volts.
func (m *Map) AfterVolts(level int) float64 {
	return m.Levels[level].AfterCodes * m.Scale.VoltsPerCode
}

// BeforeDecades is the fixed pattern in decades of light, codes over b ln 10; 0 when the
// slope is unknown.
func (m *Map) BeforeDecades(level int) float64 { return m.decades(m.Levels[level].BeforeCodes) }

// AfterDecades is the fixed pattern that is left, in decades of light; 0 when the slope is
// unknown.
func (m *Map) AfterDecades(level int) float64 { return m.decades(m.Levels[level].AfterCodes) }

func (m *Map) decades(codes float64) float64 {
	if m.CodesPerDecade == 0 {
		return 0
	}
	return codes / math.Abs(m.CodesPerDecade)
}

// identity gives a pixel the mean pixel's parameters.
func (m *Map) identity(i int) {
	switch m.Method {
	case Offset:
		m.Offset[i] = 0
	case OffsetGain:
		m.Offset[i], m.Gain[i] = 0, 1
	case LogResponse:
		m.Offset[i], m.Gain[i], m.Dark[i] = float32(m.Mean.A), float32(m.Mean.B), float32(m.Mean.C)
	}
}

// prepare makes what Apply and Fill look up.
func (m *Map) prepare() {
	switch m.Method {
	case OffsetGain:
		m.inv = make([]float32, len(m.Gain))
		for i, g := range m.Gain {
			m.inv[i] = 1 / g
		}
	case LogResponse:
		m.logs = make([]logPixel, len(m.Gain))
		for i := range m.logs {
			m.logs[i] = newLogPixel(float64(m.Offset[i]), float64(m.Gain[i]), float64(m.Dark[i]), m.Mean.C)
		}
	}
	m.fill = newFillings(m.Shape, m.Defects)
}

// corrected is the correction of a pixel's code that need not be whole, exactly as its
// formula says and without rounding; Apply is the fast form of it.
func (m *Map) corrected(i int, y float64) float64 {
	switch m.Method {
	case Offset:
		return y - float64(m.Offset[i])
	case OffsetGain:
		return (y - float64(m.Offset[i])) / float64(m.Gain[i])
	}
	a, b, c := float64(m.Offset[i]), float64(m.Gain[i]), float64(m.Dark[i])
	return correctLog(y, a, b, c, m.Mean)
}

// correctLog is the mean pixel's response at x = exp((y-a)/b) - c. Below the dark, where
// only noise leads, it goes on along its tangent: the response itself ends there when the
// pixel has a larger dark term than the mean pixel.
func correctLog(y, a, b, c float64, mean Response) float64 {
	u := (y - a) / b
	if c > 0 && mean.C > 0 {
		if dark := math.Log(c); u < dark {
			return mean.A + mean.B*(math.Log(mean.C)+(u-dark)*c/mean.C)
		}
	}
	return mean.A + mean.B*(u+math.Log1p((mean.C-c)*math.Exp(-u)))
}
