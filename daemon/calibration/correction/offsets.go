package correction

import (
	"fmt"
	"math"

	"facetd.example/api/invalid"
)

// UpdateOffsets makes a correction map that takes out how far the pixels have drifted apart since
// another was made, from one fresh uniform level: offsets are set again so that all good pixels
// agree at its light, slopes and dark terms are kept, and what all have drifted in common stays.
// The light need not be known. Pixels that are clipped in it, and defects, keep what they had. The
// error is an invalid.Errors; the old correction map does not change.
func UpdateOffsets(m *Map, level Level, o Options) (*Map, error) {
	var wrong invalid.Errors
	o.check(&wrong)
	f := level.Frames
	if f == nil || f.frames < 2 || f.shape != m.Shape || f.scale != m.Scale {
		wrong.Add("level.frames", "fewer than two frames, or of another shape or scale than the correction map's",
			"take frames with the chip, view and gain of the correction map")
		return nil, wrong
	}
	checkLevel(&wrong, "level", level, level)
	if len(wrong) > 0 {
		return nil, wrong
	}
	out := *m
	out.Kelvin = o.Kelvin
	out.Offset = append([]float32(nil), m.Offset...)
	mean, n := 0.0, 0
	m.eachGood(func(i int) {
		if f.low[i] == 0 && f.high[i] == 0 {
			mean += m.corrected(i, f.Mean(i))
			n++
		}
	})
	if n == 0 {
		wrong.Add("level.frames", "every good pixel is clipped", "change the light")
		return nil, wrong
	}
	mean /= float64(n)
	m.eachGood(func(i int) {
		if f.low[i] == 0 && f.high[i] == 0 {
			out.Offset[i] += float32(f.Mean(i) - m.raw(i, mean))
		}
	})
	for i := range out.Offset {
		if !out.usable(i) {
			return nil, fmt.Errorf("pixel %d cannot be corrected after the drift of its offset", i)
		}
	}
	out.prepare()
	var err error
	out.Levels, err = out.Measure([]Level{level})
	return &out, err
}

// raw is the code of a pixel that the correction map corrects to another: the reverse of corrected.
func (m *Map) raw(i int, code float64) float64 {
	switch m.Method {
	case Offset:
		return code + float64(m.Offset[i])
	case OffsetGain:
		return float64(m.Offset[i]) + code*float64(m.Gain[i])
	}
	lux := max(math.Exp((code-m.Mean.A)/m.Mean.B)-m.Mean.C, 0)
	return float64(m.Offset[i]) + float64(m.Gain[i])*math.Log(max(float64(m.Dark[i])+lux, math.SmallestNonzeroFloat64))
}
