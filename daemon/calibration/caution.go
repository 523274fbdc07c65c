package calibration

import (
	"fmt"
	"math"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/calibration/correction"
)

// From when on an operator is warned: common practice, no source.
const (
	fewFrames    = 8
	clippedShare = 0.001
	// Means of frames that wander by more than this, and by more than their noise, are not
	// under steady light.
	wanderCodes = 0.3
	// A slope of the light across a chip that makes more of the pattern than this, in
	// codes, and more than all the rest of it, is the lamp's.
	slopeCodes = 2
)

// report is what each chip showed at a level, with what an operator should know.
func (c *collector) report() *facetdv1.CollectedLevel {
	out := &facetdv1.CollectedLevel{Lux: c.level.lux, Frames: uint32(c.level.frames)}
	for i, sub := range c.ses.subjects {
		a := c.level.gathered[i]
		pattern, slope := patternOf(a)
		noise := math.Sqrt(max(a.MeanVariance(), 0))
		low, high := clipped(a)
		l := &facetdv1.ChipLevel{
			Chip: sub.key.chip, View: sub.view, Frames: uint32(a.Frames()), MeanCodes: a.MeanCode(), NoiseCodes: noise,
			PatternCodes: pattern, WanderCodes: a.FrameNoise(), ClippedLow: low, ClippedHigh: high,
		}
		l.Cautions = c.cautions(l, slope, c.means[i], sub.shape.Pixels())
		out.Chips = append(out.Chips, l)
	}
	return out
}

func (c *collector) cautions(l *facetdv1.ChipLevel, slope float64, means []float64, pixels int) []string {
	var out []string
	add := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if l.GetFrames() < fewFrames {
		add("%d frames average little noise; 16 or more are best", l.GetFrames())
	}
	if l.GetClippedLow() > clippedShare {
		add("%.3g %% of the samples are at the lowest code: change the light, the bias or the gain", 100*l.GetClippedLow())
	}
	if l.GetClippedHigh() > clippedShare {
		add("%.3g %% of the samples are at the highest code: change the light, the bias or the gain", 100*l.GetClippedHigh())
	}
	quiet := l.GetNoiseCodes() / math.Sqrt(float64(pixels))
	half := len(means) / 2
	drift := mean(means[half:]) - mean(means[:half])
	switch {
	case math.Abs(drift) > max(wanderCodes, 6*quiet/math.Sqrt(float64(max(half, 1)))) && math.Abs(drift) > l.GetWanderCodes():
		add("the frames drift by %.2g codes: let the lamp and the array warm up; pixels lag in dim light", drift)
	case l.GetWanderCodes() > max(wanderCodes, 3*quiet):
		add("the means of frames wander by %.2g codes: a lamp on mains flickers, so average over whole periods of it, or use one on direct current", l.GetWanderCodes())
	case !c.still:
		add("the light or the pixels had not come to rest before the frames were taken")
	}
	if rest := math.Sqrt(max(l.GetPatternCodes()*l.GetPatternCodes()-slope*slope, 0)); slope > slopeCodes && slope > rest {
		add("the light falls off across the chip: of the pattern, %.2g codes are an even slope; use a diffuser or an integrating sphere", slope)
	}
	return out
}

func mean(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(max(len(values), 1))
}

func clipped(a *correction.Accumulator) (low, high float64) {
	var lows, highs int
	n := a.Shape().Pixels()
	for i := range n {
		l, h := a.Clipped(i)
		lows, highs = lows+l, highs+h
	}
	all := float64(n * a.Frames())
	return float64(lows) / all, float64(highs) / all
}

// patternOf is the spread of the pixels' means, and how much of it is an even slope across
// the frame: the plane of least squares. Both are standard deviations in codes. Rows and
// columns of a full grid are independent, so each slope is fitted by itself.
func patternOf(a *correction.Accumulator) (pattern, slope float64) {
	s := a.Shape()
	n, m := float64(s.Pixels()), a.MeanCode()
	var squares, alongRows, alongColumns float64
	middleRow, middleColumn := float64(s.Rows-1)/2, float64(s.Columns-1)/2
	for i := range s.Pixels() {
		d := a.Mean(i) - m
		squares += d * d
		alongRows += d * (float64(i/s.Columns) - middleRow)
		alongColumns += d * (float64(i%s.Columns) - middleColumn)
	}
	// The variance of 0 to k-1 is (k^2 - 1)/12.
	part := func(sum float64, k int) float64 {
		if k < 2 {
			return 0
		}
		return (sum / n) * (sum / n) / (float64(k*k-1) / 12)
	}
	return math.Sqrt(squares / n), math.Sqrt(part(alongRows, s.Rows) + part(alongColumns, s.Columns))
}
