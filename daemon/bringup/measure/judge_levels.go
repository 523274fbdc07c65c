package measure

import (
	"fmt"
	"math"
	"strconv"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/daemon/fit"
)

// The limits here and in the other files of this name are common practice, no source, but
// where a comment says otherwise.

// JudgeRegulators adds up what the supplies leave above the regulators.
func JudgeRegulators(r *Report) {
	for _, class := range r.a.Classes {
		g := class.Spec.GetRegulator()
		if g == nil {
			continue
		}
		left := g.GetSupplyVolts() - g.GetSupplyRippleVolts() - g.GetDropoutVolts() - g.GetOutputVolts()
		r.judge(class.Name, "supply left above regulator and dropout, at the trough of the ripple", left, "V",
			atLeast(0, fail, "the regulator runs out of supply"))
		if left < 0 {
			r.Act("Class %s: raise the supply or take less ripple; the data sheet of the regulator says what it needs.",
				class.Name)
		}
	}
}

// JudgeIdleLane judges one lane at rest by its codes, and draws them.
func JudgeIdleLane(r *Report, index int, codes []uint16, chart *Chart) {
	lane := &r.a.Lanes[index]
	s := StatsOf(codes, lane.Bits)
	full := 0.98 * (math.Exp2(float64(lane.Bits)) - 1)
	r.judge(lane.Name, "level of the idle lane", s.Mean, "codes",
		within(0, full, fail, "the converter reads full scale while it is undriven"))
	step := lane.StepVolts()
	declared := lane.Spec.GetConverter().GetNoiseVolts() / step
	// Half as much again as the converter's noise and its step's (1/12 of its square), and
	// half a step.
	most := 1.5*math.Sqrt(declared*declared+1.0/12) + 0.5
	if r.judge(lane.Name, "noise of the idle lane", s.Deviation, "codes",
		atMost(most, warn, "noisier than described")) == warn {
		volts := math.Sqrt(max(s.Deviation*s.Deviation-1.0/12, 0)) * step
		r.propose(fmt.Sprintf("lanes[%d].converter.noise_volts", index), strconv.FormatFloat(volts, 'g', 3, 64),
			strconv.FormatFloat(lane.Spec.GetConverter().GetNoiseVolts(), 'g', -1, 64),
			"noise measured on the idle lane")
		r.Act("Lane %s: look for supply ripple, missing decoupling and clock lines beside the analog line, before "+
			"you believe the noise.", lane.Name)
	}
	if s.Mean > full {
		r.Act("Lane %s: check the reference and the input of its converter for an open or a short to the supply.",
			lane.Name)
	}
	line := Series{Name: lane.Name}
	for i, c := range codes[:min(len(codes), 200)] {
		line.X, line.Y = append(line.X, float64(i)), append(line.Y, float64(c)-s.Mean)
	}
	chart.Series = append(chart.Series, line)
}

// Limits of what counts as a chip that drives its lane: half of its pixels are further from the mean of the undriven
// lane than five standard deviations of the lane's noise and a code, which noise alone does once in a million.
const (
	idleSigmas  = 5
	leastDriven = 50 // percent
)

// JudgeAlive judges a chip that was read alone, by what its lane showed just before while it was undriven. unusable
// says why a chip cannot be used.
func JudgeAlive(r *Report, chip int, idle []uint16, captures []bus.Capture) (s Stats, unusable string) {
	codes := captures[0].Codes
	rest := StatsOf(idle, r.lane(chip).Bits)
	s = StatsOf(codes, r.lane(chip).Bits)
	apart := 0
	for _, c := range codes {
		if math.Abs(float64(c)-rest.Mean) > idleSigmas*rest.Deviation+1 {
			apart++
		}
	}
	r.Tell(r.name(chip), "level of its lane just before, undriven", rest.Mean, "codes", "")
	if r.judge(r.name(chip), "pixels apart from the undriven lane", 100*float64(apart)/float64(len(codes)), "%",
		atLeast(leastDriven, fail, "it does not drive its lane, or its whole signal lies at the level of an "+
			"undriven one")) == fail {
		unusable = "its lane shows what it shows while it is undriven"
	}
	if r.judge(r.name(chip), "pixels at a rail", 100*s.AtRails, "%",
		atMost(95, fail, "the output is stuck at a rail")) == fail {
		unusable = "its output is stuck"
	}
	if len(codes) > 8 && r.judge(r.name(chip), "different codes", float64(s.Different), "",
		atLeast(2, fail, "every pixel gives the same code: the output is stuck")) == fail {
		unusable = "its output is stuck"
	}
	if unusable != "" {
		r.Act("Chip %s: check its supplies, its bias pins, and that its output is wired to lane %s and not to "+
			"ground or a supply.",
			r.name(chip), r.lane(chip).Name)
	}
	return s, unusable
}

// JudgeNoise compares the noise of chips with the others of their class.
func JudgeNoise(r *Report, noises map[int]float64) {
	for _, class := range r.a.Classes {
		var of []float64
		for c, n := range noises {
			if r.a.Chips[c].Class == class {
				of = append(of, n)
			}
		}
		if len(of) == 0 {
			continue
		}
		most := 4*fit.Median(of) + 1
		for c := range r.a.Chips {
			if n, is := noises[c]; is && r.a.Chips[c].Class == class {
				r.judge(r.name(c), "temporal noise", n, "codes",
					atMost(most, warn, "much noisier than the others of its class"))
			}
		}
	}
}

// TestOffset is the offset register at which the output of a chip with an amplifier is read again,
// away from the rail that its mean is nearer to.
func TestOffset(a *chipmodel.Array, chip int, mean float64) int {
	top := math.Exp2(float64(a.Lanes[a.Chips[chip].Lane].Bits))
	if mean > top/2 == (a.Chips[chip].Class.Spec.GetAmplifier().GetOffsetStepVolts() > 0) {
		return -32
	}
	return 32
}

// JudgeTestLevel judges by how many codes an offset register moved the output.
func JudgeTestLevel(r *Report, chip, offset int, moved float64) {
	step := r.a.Chips[chip].Class.Spec.GetAmplifier().GetOffsetStepVolts()
	expected := float64(offset) * step / r.lane(chip).StepVolts()
	r.judge(r.name(chip), fmt.Sprintf("test level: offset register at %d moves the output", offset), moved/expected*100,
		"% of what is described",
		within(50, 150, warn, "the offset register does not do what is described"))
}

// JudgeDark judges a frame in the dark.
func JudgeDark(r *Report, chip int, codes []uint16) {
	bits := r.lane(chip).Bits
	s := StatsOf(codes, bits)
	off := 0.15 * math.Exp2(float64(bits))
	expected := Expected(r.a, chip, 0)
	r.judge(r.name(chip), "mean in the dark", s.Mean, "codes",
		within(expected-off, expected+off, warn, "far from what the class describes"))
	r.judge(r.name(chip), "pixels at a rail in the dark", 100*s.AtRails, "%",
		atMost(1, warn, "part of the frame is clipped in the dark"))
	r.Tell(r.name(chip), "fixed pattern in the dark", s.Deviation, "codes", "")
}

// leastAnswer is the least described response to light, in codes, at which a chip's response is
// judged.
const leastAnswer = 4

// JudgeLit judges a frame in uniform illumination, with the one in the dark where there is one. known
// is whether the light has the lux that was asked for. It reports whether the answer to light was looked at.
func JudgeLit(r *Report, chip int, dark, lit []uint16, lux float64, known bool) (answer bool) {
	s := StatsOf(lit, r.lane(chip).Bits)
	r.Tell(r.name(chip), "mean in light", s.Mean, "codes", "")
	r.judge(r.name(chip), "pixels at a rail in light", 100*s.AtRails, "%",
		atMost(1, warn, "part of the frame is clipped in light"))
	if dark == nil {
		r.LeftOut("the answer of "+r.name(chip), "there is no dark frame to compare with")
		return false
	}
	dead, median := Dead(dark, lit)
	expected := Expected(r.a, chip, lux) - Expected(r.a, chip, 0)
	if math.Abs(expected) < leastAnswer {
		r.Tell(r.name(chip), "answer to light as described", expected, "codes", "too small to be told from none")
		r.LeftOut("the answer of "+r.name(chip), "as described it is too small to be told from none")
		return false
	}
	least := 1.0 // how bright the operator's lamp is nobody knows
	if known {
		least = 50
	}
	if r.judge(r.name(chip), "answer to light", 100*median/expected, "% of what is described",
		atLeast(least, fail, "it does not answer to light as described")) == fail {
		r.Act("Chip %s: is it lit? If so check its pixel bias and the sign of volts_per_decade.", r.name(chip))
		return true
	}
	r.judge(r.name(chip), "dead pixels", 100*float64(dead)/float64(len(lit)), "%",
		atMost(0.5, warn, "more dead pixels than usual"))
	return true
}
