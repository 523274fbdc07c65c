package correction

import (
	"fmt"
	"math"
)

// Drift is what temperature does to a chip's pixels at one light.
type Drift struct {
	// FromKelvin and ToKelvin are the two temperatures.
	FromKelvin, ToKelvin float64
	// Lux is the light of the comparison; below 0 for correction maps without a response.
	Lux float64
	// CommonVoltsPerK is the drift of the mean pixel. CommonKnown is false when the correction maps do
	// not tell it: an OffsetGain correction map, or levels of unknown light.
	CommonVoltsPerK float64
	CommonKnown     bool
	// SpreadVoltsPerK is the standard deviation over pixels of their drift beside the mean
	// pixel's.
	SpreadVoltsPerK float64
	// BaseVolts is the fixed pattern that the first correction map leaves at its own temperature at
	// the level nearest to Lux.
	BaseVolts float64

	slopeVolts float64 // per decade; 0 when unknown
}

// DriftBetween compares two correction maps of one chip and view made at two temperatures. For
// LogResponse correction maps lux says at which light, which matters: near the dark the growth of the
// dark terms works against the loss of the offsets. Other correction maps compare offsets at the mean
// code of the first correction map's first level, and lux is ignored.
//
// Two temperatures give a straight line and no test of it; SpreadVoltsPerK has the noise
// of both correction maps in it.
func DriftBetween(from, to *Map, lux float64) (Drift, error) {
	if from.Method != to.Method || from.Shape != to.Shape || from.Scale != to.Scale {
		return Drift{}, fmt.Errorf("the correction maps differ in method, shape or scale: %s of %+v and %s of %+v", from.Method, from.Shape, to.Method, to.Shape)
	}
	if !(from.Kelvin > 0 && to.Kelvin > 0) || math.Abs(to.Kelvin-from.Kelvin) < 0.5 {
		return Drift{}, fmt.Errorf("temperatures of %g K and %g K; a drift needs two known ones at least half a kelvin apart", from.Kelvin, to.Kelvin)
	}
	log := from.Method == LogResponse
	if log && !(lux >= 0 && finite(lux, from.Mean.Code(lux), to.Mean.Code(lux))) {
		return Drift{}, fmt.Errorf("no response at %g lux to compare", lux)
	}
	if !log && (len(from.Levels) == 0 || len(to.Levels) == 0) {
		return Drift{}, fmt.Errorf("a correction map without levels")
	}
	d := Drift{FromKelvin: from.Kelvin, ToKelvin: to.Kelvin, Lux: -1, slopeVolts: math.Abs(from.CodesPerDecade) * from.Scale.VoltsPerCode}
	if log {
		d.Lux = lux
	}
	perK := from.Scale.VoltsPerCode / (to.Kelvin - from.Kelvin)
	common, known := commonDrift(from, to, lux)
	d.CommonVoltsPerK, d.CommonKnown = common*perK, known
	var m moments
	bad := make([]bool, from.Shape.Pixels())
	for _, x := range to.Defects {
		bad[x.Pixel] = true
	}
	from.eachGood(func(i int) {
		if !bad[i] {
			m.add(to.deviation(i, from, lux) - from.deviation(i, from, lux))
		}
	})
	if m.n < 2 {
		return Drift{}, fmt.Errorf("%d pixels are good in both correction maps", m.n)
	}
	d.SpreadVoltsPerK = math.Sqrt(m.variance()) * math.Abs(perK)
	d.BaseVolts = from.baseVolts(d.Lux)
	return d, nil
}

// commonDrift is the drift of the mean pixel in codes.
func commonDrift(from, to *Map, lux float64) (codes float64, known bool) {
	switch from.Method {
	case LogResponse:
		return to.Mean.Code(lux) - from.Mean.Code(lux), true
	case Offset:
		a, b := from.Levels[0], to.Levels[0]
		return b.MeanCode - a.MeanCode, a.Lux >= 0 && a.Lux == b.Lux
	}
	return 0, false
}

// deviation is how far a pixel lies above the mean pixel, in codes.
func (m *Map) deviation(i int, reference *Map, lux float64) float64 {
	switch m.Method {
	case Offset:
		return float64(m.Offset[i])
	case OffsetGain:
		y := reference.Levels[0].MeanCode
		return float64(m.Offset[i]) + (float64(m.Gain[i])-1)*y
	}
	return float64(m.Offset[i]) + float64(m.Gain[i])*math.Log(float64(m.Dark[i])+lux) - m.Mean.Code(lux)
}

func (m *Map) baseVolts(lux float64) float64 {
	best, off := 0.0, math.Inf(1)
	for l, r := range m.Levels {
		if d := math.Abs(math.Log((max(r.Lux, 0) + 1e-6) / (max(lux, 0) + 1e-6))); d < off {
			best, off = m.AfterVolts(l), d
		}
	}
	return best
}

// Residual predicts what a correction map made at FromKelvin leaves when the chip is a number of
// kelvin warmer: the fixed pattern as a standard deviation, and the shift of all pixels,
// both in volts. The drift of each pixel counts as independent of what the correction map left.
func (d Drift) Residual(kelvin float64) (patternVolts, commonVolts float64) {
	return math.Hypot(d.BaseVolts, d.SpreadVoltsPerK*kelvin), d.CommonVoltsPerK * kelvin
}

// Decades turns volts into decades of light, 0 when the slope is unknown.
func (d Drift) Decades(volts float64) float64 {
	if d.slopeVolts == 0 {
		return 0
	}
	return volts / d.slopeVolts
}
