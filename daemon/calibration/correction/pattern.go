package correction

import "math"

// Pattern is the fixed pattern that the correction map says of the chip where every pixel sees the same light, at which
// the mean pixel has a mean code: what pixels differ by, in codes, up to what all have in common. Row by row.
func (m *Map) Pattern(mean float64) []float32 {
	out := make([]float32, m.Shape.Pixels())
	switch m.Method {
	case Offset:
		copy(out, m.Offset)
	case OffsetGain:
		for i := range out {
			out[i] = m.Offset[i] + float32(mean)*(m.Gain[i]-1)
		}
	case LogResponse:
		lux := max(math.Exp((mean-m.Mean.A)/m.Mean.B)-m.Mean.C, 0)
		for i := range out {
			out[i] = m.Offset[i] + m.Gain[i]*float32(math.Log(float64(m.Dark[i])+lux))
		}
	}
	return out
}
