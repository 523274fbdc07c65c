package correction

import (
	"fmt"
	"math"
)

// When the change since a correction map was made is called that of the light: our own choice.
const (
	unevenCodes = 0.5 // of the change that pixels have in common with others
	unevenSigma = 5.0 // standard errors
	apartLeast  = 4   // pixels
)

// Uneven is how much of what has changed since a correction map was made is not each pixel's own: the drift of offsets
// differs from pixel to pixel whatever their places, and light that is not uniform is alike where pixels are near each
// other. It compares pixels a sixth of the chip apart, at least four and the reach of what smoothing and binning make
// alike, and returns the size of what they have in common
// (standard deviation, in codes), or 0 where that is no more than chance gives or too little to matter. A level of
// another shape than the map's has none.
func (m *Map) Uneven(level Level, reach int) float64 {
	f := level.Frames
	if f == nil || f.shape != m.Shape {
		return 0
	}
	n := m.Shape.Pixels()
	change, good := make([]float64, n), make([]bool, n)
	var all moments
	m.eachGood(func(i int) {
		if f.low[i] == 0 && f.high[i] == 0 {
			change[i], good[i] = m.corrected(i, f.Mean(i)), true
			all.add(change[i])
		}
	})
	var common, pairs float64
	compare := func(i, j int) {
		if good[i] && good[j] {
			common += (change[i] - all.mean) * (change[j] - all.mean)
			pairs++
		}
	}
	down, right := max(m.Shape.Rows/6, apartLeast, reach), max(m.Shape.Columns/6, apartLeast, reach)
	for r := range m.Shape.Rows {
		for c := range m.Shape.Columns {
			if r+down < m.Shape.Rows {
				compare(r*m.Shape.Columns+c, (r+down)*m.Shape.Columns+c)
			}
			if c+right < m.Shape.Columns {
				compare(r*m.Shape.Columns+c, r*m.Shape.Columns+c+right)
			}
		}
	}
	if pairs == 0 {
		return 0
	}
	common /= pairs
	// Of pixels that are alike over a reach fewer are independent; two pixels are allowed for in any case.
	chance := all.variance() * float64(max(reach, 2)) / math.Sqrt(pairs)
	if common < unevenCodes*unevenCodes || common < unevenSigma*chance {
		return 0
	}
	return math.Sqrt(common)
}

// UnevenCaution is what an operator should know of an offset update from a level, with the reach of Uneven; empty where
// nothing speaks against it.
func (m *Map) UnevenCaution(level Level, reach int) string {
	codes := m.Uneven(level, reach)
	if codes == 0 {
		return ""
	}
	return fmt.Sprintf("what changed since the correction map was made is alike in pixels near each other, by %.2g "+
		"codes, "+
		"and has been taken out as if it were the pixels' own: if the light was not uniform (or the chip not equally "+
		"warm), delete the new map and update again under uniform illumination", codes)
}
