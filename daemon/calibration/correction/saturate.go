package correction

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"

	"facetd.example/api/invalid"
	"facetd.example/daemon/fit"
)

const (
	// saturatedLimit is the fraction of pixels that saturate from which on a level shows the light, and not what is
	// wrong with pixels: common practice, no source. It is also how many of them chance may make look so.
	saturatedLimit = 0.01
	// quietChance is the probability that a good pixel is as quiet in so few frames as one that saturates.
	quietChance = 1e-3
)

// Saturated is how many pixels saturate at each level: they clip there and not at every level, or they have hardly any
// noise left, though at the dimmest level they have as much as others. A full well, or an amplifier at its end, holds
// the same each time, at whatever code. What noise is to be expected is what the pixels have at the noisiest level
// that is no brighter; a level whose light is not known, and the dimmest, only clip.
func Saturated(levels []Level) []int {
	out := make([]int, len(levels))
	typical := make([]float64, len(levels))
	dimmest := 0
	for l := range levels {
		typical[l] = typicalVariance(levels[l].Frames)
		if levels[l].Lux >= 0 && (levels[dimmest].Lux < 0 || levels[l].Lux < levels[dimmest].Lux) {
			dimmest = l
		}
	}
	quiet := quietIn(levels[dimmest], typical[dimmest])
	for l, level := range levels {
		expected := typical[l]
		for k := range levels {
			if levels[k].Lux >= 0 && levels[k].Lux <= level.Lux {
				expected = max(expected, typical[k])
			}
		}
		silent := quietIn(level, expected)
		for i := range level.Frames.sum {
			clips := level.Frames.low[i]+level.Frames.high[i] > 0 && !clipsAlways(levels, i)
			rests := l != dimmest && level.Lux >= 0 && silent(i) && !quiet(i)
			if clips || rests {
				out[l]++
			}
		}
	}
	return out
}

// TooSaturated reports whether so many pixels of a level saturate that a correction map must not be made from it.
// Three standard deviations more than the fraction keep a few broken pixels of a small chip from counting as light.
func TooSaturated(saturated, pixels int) bool {
	few := saturatedLimit * float64(pixels)
	return float64(saturated) > few+3*math.Sqrt(few)
}

// SaturationCaution is what an operator should know of a level of which pixels saturate; empty where few do.
func SaturationCaution(saturated, pixels int) string {
	if !TooSaturated(saturated, pixels) {
		return ""
	}
	return fmt.Sprintf("%.2g %% of the pixels saturate, so that correction maps are made without this level: take "+
		"less light, a shorter exposure or a lower gain", 100*float64(saturated)/float64(pixels))
}

// typicalVariance is the noise of most pixels, with a step of the converter in it.
func typicalVariance(f *Accumulator) float64 {
	variance := make([]float64, len(f.sum))
	for i := range variance {
		variance[i] = f.Variance(i)
	}
	return fit.Median(variance) + stepVariance
}

// quietIn tells which pixels of a level have less noise than chance leaves them where a variance is expected. Noise
// that the converter hides tells nothing.
func quietIn(l Level, expected float64) func(i int) bool {
	freedom := l.Frames.freedom()
	if expected < 4*stepVariance || freedom < fewFrames-1 {
		return func(int) bool { return false }
	}
	limit := expected * 2 * mathext.GammaIncRegInv(freedom/2, quietChance) / freedom
	return func(i int) bool { return l.Frames.Variance(i) < limit }
}

// clipsAlways reports whether a pixel clips at every level: it is stuck.
func clipsAlways(levels []Level, i int) bool {
	return len(levels) > 1 && !slices.ContainsFunc(levels, func(l Level) bool {
		return l.Frames.low[i]+l.Frames.high[i] == 0
	})
}

// unsaturated refuses levels at which too many pixels saturate: they would count as defective.
func unsaturated(wrong *invalid.Errors, levels []Level) {
	for l, n := range Saturated(levels) {
		if pixels := levels[l].Frames.shape.Pixels(); TooSaturated(n, pixels) {
			wrong.Add(fmt.Sprintf("levels[%d].frames", l), fmt.Sprintf("%d of %d pixels saturate", n, pixels),
				"take less light, a shorter exposure or a lower gain, or leave the level out")
		}
	}
}
