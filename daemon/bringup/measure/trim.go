package measure

import (
	"math"

	"facetd.example/chipmodel"
	"facetd.example/daemon/fit"
)

// Trim is a setting of amplifier and pixel bias; fields of parts that a chip lacks are
// ignored.
type Trim struct{ Gain, Offset, PixelBias int }

// TrimPoint is what a chip showed at a setting, under one light.
type TrimPoint struct {
	Trim
	Lit             bool
	Mean            float64
	Lowest, Highest float64
}

// Gains is the number of gains of a class, 1 without an amplifier.
func Gains(c *chipmodel.Class) int { return max(len(c.Spec.GetAmplifier().GetGains()), 1) }

// TrimGrid lists the settings to try: every gain, with offsets and biases that are spread over
// their range, one changed at a time.
func TrimGrid(a *chipmodel.Array, chip int) []Trim {
	class := a.Chips[chip].Class
	nominal := int(class.PowerOn(chipmodel.PixelBias))
	offsets := []int{0}
	if class.HasRegister(chipmodel.Offset) {
		offsets = []int{-128, -64, -24, 0, 24, 64, 127}
	}
	var grid []Trim
	for g := range Gains(class) {
		for _, offset := range offsets {
			grid = append(grid, Trim{g, offset, nominal})
		}
		if !class.HasRegister(chipmodel.PixelBias) {
			continue
		}
		for _, bias := range []int{0, nominal - 64, nominal - 24, nominal + 24, nominal + 64, 255} {
			if bias >= 0 && bias <= 255 && bias != nominal {
				grid = append(grid, Trim{g, 0, bias})
			}
		}
	}
	return grid
}

// TrimChoice is the setting that uses most of the range without clipping.
type TrimChoice struct {
	Trim
	// Span is from the mean dark to the mean lit code, Darkest and Brightest where the
	// lowest and highest pixel will lie.
	Span               float64
	Darkest, Brightest float64
	// Low and High are the codes between which the output does not clip.
	Low, High float64
}

// levels of one gain: code = base + perOffset offset + perBias (bias - nominal).
type levels struct {
	perOffset, perBias float64
	dark, lit          float64
	below, above       float64 // how far the extreme pixels are from these means
	offset, nominal    bool
}

// ChooseTrim finds the setting with the largest span between dark and lit whose pixels
// all stay off the limits. Amplifier, offset and bias act linearly until something
// clips, so points that touch a limit are left out of the fits. ok is false where no
// gain has enough points in range.
func ChooseTrim(a *chipmodel.Array, chip int, points []TrimPoint) (best TrimChoice, ok bool) {
	c := &a.Chips[chip]
	lane := &a.Lanes[c.Lane]
	nominal := int(c.Class.PowerOn(chipmodel.PixelBias))
	margin := 0.01 * math.Exp2(float64(lane.Bits))
	low, high := clipping(a, chip, points, 3*margin)
	low, high = low+margin, high-margin
	for g := range Gains(c.Class) {
		var of []TrimPoint
		for _, p := range points {
			if p.Gain == g && p.Lowest > low && p.Highest < high {
				of = append(of, p)
			}
		}
		l, fits := fitLevels(of, nominal)
		if !fits {
			continue
		}
		if choice, fits := l.centre(g, nominal, low, high); fits && choice.Span > best.Span {
			choice.Low, choice.High = low, high
			best, ok = choice, true
		}
	}
	return best, ok
}

// clipping is between which codes the output does not clip: the extremes of all points, of which a
// wide grid has some beyond what the output can give. Where offset and bias move the levels
// by less than least, it is what is described.
func clipping(a *chipmodel.Array, chip int, points []TrimPoint, least float64) (low, high float64) {
	type group struct {
		gain int
		lit  bool
	}
	low, high = math.Inf(1), math.Inf(-1)
	means, moved := map[group][2]float64{}, 0.0
	for _, p := range points {
		low, high = min(low, p.Lowest), max(high, p.Highest)
		g := group{p.Gain, p.Lit}
		m, seen := means[g]
		if !seen {
			m = [2]float64{p.Mean, p.Mean}
		}
		m = [2]float64{min(m[0], p.Mean), max(m[1], p.Mean)}
		means[g], moved = m, max(moved, m[1]-m[0])
	}
	if moved >= least {
		return low, high
	}
	lane := &a.Lanes[a.Chips[chip].Lane]
	low, high = 0, math.Exp2(float64(lane.Bits))-1
	if amp := a.Chips[chip].Class.Spec.GetAmplifier(); amp != nil {
		code := func(volts float64) float64 {
			return lane.CodeOf(volts)
		}
		low, high = max(low, code(amp.GetLowVolts())), min(high, code(amp.GetHighVolts()))
	}
	return low, high
}

// fitLevels takes slopes from pairs of points that differ in one setting and light
// alike, and then the levels at offset 0 and nominal bias.
func fitLevels(points []TrimPoint, nominal int) (l levels, ok bool) {
	slopeOf := func(value func(TrimPoint) int, same func(p, q TrimPoint) bool) (slope float64, ok bool) {
		var xx, xy float64
		for i, p := range points {
			for _, q := range points[:i] {
				if dx := float64(value(p) - value(q)); dx != 0 && p.Lit == q.Lit && same(p, q) {
					xx += dx * dx
					xy += dx * (p.Mean - q.Mean)
				}
			}
		}
		return xy / xx, xx > 0
	}
	l.perOffset, l.offset = slopeOf(func(p TrimPoint) int { return p.Offset },
		func(p, q TrimPoint) bool { return p.PixelBias == q.PixelBias })
	l.perBias, l.nominal = slopeOf(func(p TrimPoint) int { return p.PixelBias },
		func(p, q TrimPoint) bool { return p.Offset == q.Offset })
	if !l.offset {
		l.perOffset = 0
	}
	if !l.nominal {
		l.perBias = 0
	}
	var dark, lit []float64
	for _, p := range points {
		base := p.Mean - l.perOffset*float64(p.Offset) - l.perBias*float64(p.PixelBias-nominal)
		if p.Lit {
			lit = append(lit, base)
		} else {
			dark = append(dark, base)
		}
		l.below, l.above = max(l.below, p.Mean-p.Lowest), max(l.above, p.Highest-p.Mean)
	}
	if len(dark) == 0 || len(lit) == 0 {
		return l, false
	}
	l.dark, l.lit = fit.Median(dark), fit.Median(lit)
	return l, true
}

// centre finds the offset and bias that bring the middle of a gain's levels nearest to
// the middle of the limits, the bias as near to nominal as will do.
func (l *levels) centre(gain, nominal int, low, high float64) (TrimChoice, bool) {
	bottom, top := min(l.dark, l.lit)-l.below, max(l.dark, l.lit)+l.above
	if top-bottom > high-low {
		return TrimChoice{}, false
	}
	wanted := (low+high)/2 - (bottom+top)/2
	best, cost := Trim{gain, 0, nominal}, math.Inf(1)
	shift := 0.0
	for bias := range 256 {
		left := wanted - l.perBias*float64(bias-nominal)
		offset := 0
		if l.perOffset != 0 {
			offset = int(min(max(math.Round(left/l.perOffset), -128), 127))
		}
		moved := l.perBias*float64(bias-nominal) + l.perOffset*float64(offset)
		// Up to a tenth of the space left, being off the middle costs nothing; beyond, it matters
		// more than staying near nominal.
		off := max(math.Abs(wanted-moved)-0.1*(high-low-(top-bottom)), 0)
		c := 1000*off + math.Abs(float64(bias-nominal)) + 0.01*math.Abs(float64(offset))
		if c < cost {
			best, cost, shift = Trim{gain, offset, bias}, c, moved
		}
	}
	choice := TrimChoice{Trim: best, Span: math.Abs(l.lit - l.dark), Darkest: bottom + shift, Brightest: top + shift}
	return choice, choice.Darkest >= low && choice.Brightest <= high
}
