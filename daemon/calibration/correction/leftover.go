package correction

import (
	"cmp"
	"math"
)

// slopes is by which part the slopes of pixels differ from each other, where a map of offsets alone does not know it
// (our choice, no source).
const slopes = 0.01

// PatternAt is what the correction leaves of the fixed pattern where the good pixels' mean is at a code: its standard
// deviation from pixel to pixel, in codes. It is what the map's own levels show, between them by how far away they are
// and beyond them as at the last one, and of offsets alone by how slopes differ; and what noise did to the map, as its
// frames were few: that stays in every frame that is corrected with it, but not in those of which it was made. False
// where the map has no levels.
func (m *Map) PatternAt(code float64) (codes float64, known bool) {
	var below, above *LevelReport // the nearest
	for i := range m.Levels {
		switch l := &m.Levels[i]; {
		case l.MeanCode <= code:
			if below == nil || l.MeanCode > below.MeanCode {
				below = l
			}
		case above == nil || l.MeanCode < above.MeanCode:
			above = l
		}
	}
	switch {
	case below == nil && above == nil:
		return 0, false
	case m.Method == Offset:
		l := cmp.Or(below, above)
		return math.Hypot(math.Sqrt(m.leaves(l)), slopes*(code-l.MeanCode)), true
	case below == nil:
		return math.Sqrt(m.leaves(above)), true
	case above == nil:
		return math.Sqrt(m.leaves(below)), true
	}
	part := (code - below.MeanCode) / (above.MeanCode - below.MeanCode)
	return math.Sqrt((1-part)*m.leaves(below) + part*m.leaves(above)), true
}

// leaves is the variance of what is left at a level, for frames that the map was not made of: in least squares of as
// many values as there are levels, each known as well as the mean of its frames, the noise of the parameters is in the
// mean over the levels that of a value times parameters over values.
func (m *Map) leaves(l *LevelReport) float64 {
	parameters := m.Method.planes()
	if m.Method == LogResponse && !m.DarkResolved {
		parameters--
	}
	taken := 0.0
	if l.Frames > 0 {
		taken = l.NoiseCodes * l.NoiseCodes / float64(l.Frames) * min(1, float64(parameters)/float64(len(m.Levels)))
	}
	return l.AfterCodes*l.AfterCodes + taken
}
