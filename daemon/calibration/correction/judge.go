package correction

import (
	"fmt"
	"math"
	"time"
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
	// Logarithmic pixels in the dark have time constants of a second.
	restCodes = 0.15
	restSpan  = time.Second
)

// OtherKelvin is the difference in temperature from which on a frame says that its
// correction map was made at another: common practice, no source.
const OtherKelvin = 5

// Shown is what one chip showed at a level of light.
type Shown struct {
	Frames int
	// Of the frames, in codes: their mean; the noise of a pixel; the spread of the pixels'
	// means; how much the means of frames wander.
	Mean, Noise, Pattern, Wander float64
	// ClippedLow and ClippedHigh are the fractions of samples at the ends of the range.
	ClippedLow, ClippedHigh float64
	// Cautions are what an operator should know.
	Cautions []string
}

// JudgeLevel judges what was gathered. means are the means of the frames in order, still is
// whether the light and the pixels had come to rest before.
func JudgeLevel(a *Accumulator, means []float64, still bool) Shown {
	pattern, slope := patternOf(a)
	low, high := clipped(a)
	l := Shown{
		Frames: a.Frames(), Mean: a.MeanCode(), Noise: math.Sqrt(max(a.MeanVariance(), 0)),
		Pattern: pattern, Wander: a.FrameNoise(), ClippedLow: low, ClippedHigh: high,
	}
	l.cautions(slope, means, a.Shape().Pixels(), still)
	return l
}

func (l *Shown) cautions(slope float64, means []float64, pixels int, still bool) {
	add := func(format string, args ...any) { l.Cautions = append(l.Cautions, fmt.Sprintf(format, args...)) }
	if l.Frames < fewFrames {
		add("%d frames average little noise; 16 or more are best", l.Frames)
	}
	if l.ClippedLow > clippedShare {
		add("%.3g %% of the samples are at the lowest code: change the light, the bias or the gain", 100*l.ClippedLow)
	}
	if l.ClippedHigh > clippedShare {
		add("%.3g %% of the samples are at the highest code: change the light, the bias or the gain", 100*l.ClippedHigh)
	}
	quiet := l.Noise / math.Sqrt(float64(pixels))
	half := len(means) / 2
	drift := mean(means[half:]) - mean(means[:half])
	switch {
	case math.Abs(drift) > max(wanderCodes, 6*quiet/math.Sqrt(float64(max(half, 1)))) && math.Abs(drift) > l.Wander:
		add("the frames drift by %.2g codes: let the lamp and the array warm up; pixels lag in dim light", drift)
	case l.Wander > max(wanderCodes, 3*quiet):
		add("the means of frames wander by %.2g codes: a lamp on mains flickers, so average over whole periods of "+
			"it, or use one on direct current", l.Wander)
	case !still:
		add("the light or the pixels had not come to rest before the frames were taken")
	}
	if rest := math.Sqrt(max(l.Pattern*l.Pattern-slope*slope, 0)); slope > slopeCodes && slope > rest {
		add("the light falls off across the chip: of the pattern, %.2g codes are an even slope; use a diffuser or "+
			"an integrating sphere", slope)
	}
}

// Rest watches the mean of frames until it stays: until that of every frame is within
// restCodes of what it was restSpan of bus time before, or within what noise allows.
type Rest struct {
	times  []int64
	means  []float64
	before []uint16
	noise  float64 // of a frame's mean, in codes
}

// Add notes a frame. The noise of its mean is that of its pixels over the root of their
// number; the pixels' comes from the difference of two frames.
func (r *Rest) Add(atNS int64, mean float64, codes []uint16) {
	r.times, r.means = append(r.times, atNS), append(r.means, mean)
	if n := float64(len(codes)); len(r.before) == len(codes) {
		var sum, squares float64
		for i, c := range codes {
			d := float64(c) - float64(r.before[i])
			sum += d
			squares += d * d
		}
		r.noise = math.Sqrt(max(squares/n-(sum/n)*(sum/n), 0)/2) / math.Sqrt(n)
	}
	r.before = append(r.before[:0], codes...)
	// What is older than needed is forgotten.
	for len(r.times) > 2 && atNS-r.times[1] >= int64(restSpan) {
		r.times, r.means = r.times[1:], r.means[1:]
	}
}

// Still reports whether the mean has come to rest.
func (r *Rest) Still() bool {
	last := len(r.times) - 1
	if last < 1 || r.times[last]-r.times[0] < int64(restSpan) {
		return false
	}
	return math.Abs(r.means[last]-r.means[0]) < max(restCodes, 2*math.Sqrt2*r.noise)
}

func mean(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(max(len(values), 1))
}

func clipped(a *Accumulator) (low, high float64) {
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
func patternOf(a *Accumulator) (pattern, slope float64) {
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
