package measure

import (
	"fmt"
	"math"
	"strings"

	"facetd.example/chipmodel"
)

// JudgeShift judges whether a window shows the same pixels as a whole frame, and reports
// whether it does not.
func JudgeShift(r *Report, chip int, what string, frame []uint16, w chipmodel.Window, codes []uint16) (bad bool) {
	shift, sure := Shift(r.a.Chips[chip].Class, frame, w, codes)
	if sure < sureEnough(len(codes)) {
		r.Tell(r.name(chip), what, 0, "pixels", "pixels are too few or look too much alike to tell")
		return false
	}
	note := "clocks were lost"
	if shift > 0 {
		note = "extra clocks were counted"
	}
	return r.judge(r.name(chip), what, float64(shift), "pixels", within(0, 0, fail, note)) == fail
}

// JudgeSlips judges whether stripes stand in the same place in every row, and reports
// whether they do not.
func JudgeSlips(r *Report, chip int, striped, even []uint16) (bad bool) {
	slips, sharp := Slips(r.a.Chips[chip].Class, striped, even)
	if sharp > 0.3 {
		r.Tell(r.name(chip), "stripes tell places to within", sharp, "pixels",
			"not sharp enough to see rows jump; use bolder stripes")
		return false
	}
	off, note := 0.0, ""
	for _, s := range slips {
		if math.Abs(s.Pixels) > math.Abs(off) {
			off, note = s.Pixels, fmt.Sprintf("the stripes jump at row %d", s.Row)
		}
	}
	return r.judge(r.name(chip), "stripes jump from row to row by", off, "pixels",
		within(-0.6, 0.6, fail, note)) == fail
}

// JudgeTrim reports the best trim of a chip, and judges what was read with it.
func JudgeTrim(r *Report, chip int, best TrimChoice, got TrimPoint) {
	full := math.Exp2(float64(r.lane(chip).Bits))
	class := r.a.Chips[chip].Class
	name := r.name(chip)
	var settings []string
	if class.HasRegister(chipmodel.Gain) {
		r.Tell(name, "best gain register", float64(best.Gain), "",
			fmt.Sprintf("gain %g", class.Spec.GetAmplifier().GetGains()[best.Gain]))
		r.Tell(name, "best offset register", float64(best.Offset), "", "")
		settings = append(settings, fmt.Sprintf("gain_index: %d, offset: %d", best.Gain, best.Offset))
	}
	if class.HasRegister(chipmodel.PixelBias) {
		r.Tell(name, "best pixel bias register", float64(best.PixelBias), "", "")
		settings = append(settings, fmt.Sprintf("pixel_bias: %d", best.PixelBias))
	}
	r.judge(name, "span from dark to lit", 100*best.Span/full, "% of the converter",
		atLeast(10, warn, "most of the converter's range is unused"))
	clipped := within(1, full-2, warn, "clipped")
	r.judge(name, "lowest pixel, lit, checked with this setting", got.Lowest, "codes", clipped)
	r.judge(name, "highest pixel, lit, checked with this setting", got.Highest, "codes", clipped)
	r.Act("Chip %s: put trim: {%s} into the views of its tasks.", name, strings.Join(settings, ", "))
}

// JudgeUntrimmable is for a chip that no setting brings into range.
func JudgeUntrimmable(r *Report, chip int) {
	r.judge(r.name(chip), "gains that fit", 0, "", atLeast(1, fail, "no gain brings dark and lit into the range"))
	r.Act("Chip %s: reduce the range of light that it is to see, or check its biases and supplies.", r.name(chip))
}
