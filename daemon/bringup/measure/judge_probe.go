package measure

import (
	"fmt"

	facetdv1 "facetd.example/api/facetd/v1"
)

// JudgeProbe judges what the probe of the select lines measured of each chip and what it infers, and gives exclude the
// chips that cannot be used: those that did not answer to their own word, and all of them where one may listen under
// words that are not its own.
func JudgeProbe(r *Report, result *facetdv1.ProbeResult, exclude func(chip int, why string)) {
	r.Tell("", "readouts", float64(result.GetReadouts()), "", "")
	for c, chip := range result.GetChips() {
		why := ""
		outside := fail
		switch chip.GetMeasured() {
		case facetdv1.LaneLevel_LANE_LEVEL_DRIVEN:
		case facetdv1.LaneLevel_LANE_LEVEL_IDLE:
			why = "its lane stayed idle under its own select word"
		case facetdv1.LaneLevel_LANE_LEVEL_SATURATED:
			why = "the converter read full scale under its own select word"
		case facetdv1.LaneLevel_LANE_LEVEL_UNCLEAR:
			why, outside = "its lane was neither clearly idle nor clearly driven under its own select word", warn
		default:
			why, outside = "its own select word was not sampled: "+chip.GetNotMeasured(), warn
		}
		answers := 1.0
		if why != "" {
			answers = 0
			exclude(c, why)
		}
		r.judge(chip.GetChip(), "answers to its own select word, measured", answers, "", within(1, 1, outside, why))
	}
	judgeVerdict(r, result, exclude)
	for _, m := range r.Measurements {
		if m.GetVerdict() != pass {
			r.Actions = append(r.Actions, result.GetReport(),
				"Switch off before you touch the wiring. A chip that listens with another can destroy both: fix this "+
					"before any other step.")
			break
		}
	}
}

// judgeVerdict judges what is inferred of the whole array.
func judgeVerdict(r *Report, result *facetdv1.ProbeResult, exclude func(chip int, why string)) {
	const quantity = "explanations by faults, inferred"
	ways := 0 // to explain what was seen, but by no fault
	for _, c := range result.GetCases() {
		sets := 1
		for _, p := range c.GetPlaces() {
			sets *= len(p.GetOneOf())
		}
		ways += sets
	}
	switch result.GetVerdict() {
	case facetdv1.ProbeVerdict_PROBE_VERDICT_FAULT_FREE:
		r.judge("", quantity, 0, "", within(0, 0, fail, ""))
	case facetdv1.ProbeVerdict_PROBE_VERDICT_NOT_EXCLUDED:
		open := "these show the same and cannot be excluded"
		if result.GetEndedEarly() != "" {
			open = "these are not excluded by the readouts that were made"
		}
		r.judge("", quantity, float64(ways), "", within(0, 0, warn,
			"no fault is needed to explain what was seen, but "+open))
	case facetdv1.ProbeVerdict_PROBE_VERDICT_FAULTY:
		if onlySilent(result) { // which has been measured of each chip above
			r.Tell("", quantity, float64(ways), "", "why chips or lanes are silent: see the probe")
			break
		}
		r.judge("", quantity, float64(ways), "", within(0, 0, fail, "one of them is so: see the probe"))
		excludeAll(r, exclude)
	default:
		r.judge("", "sets of up to two faults that explain what was seen", 0, "", atLeast(1, fail,
			"nothing explains what was seen: chips do not listen where the description says"))
		excludeAll(r, exclude)
	}
	if early := result.GetEndedEarly(); early != "" {
		r.judge("", "readouts left unmade", 1, "", within(0, 0, warn, fmt.Sprintf("the probe ended early: %s", early)))
	}
}

func excludeAll(r *Report, exclude func(chip int, why string)) {
	for c := range r.a.Chips {
		exclude(c, "the select lines are not as described: see the probe")
	}
}

// onlySilent reports whether, by the explanations of the fewest faults, all that is wrong is that chips or lanes show
// nothing: then no chip listens where it should not, and those that answer can be used.
func onlySilent(result *facetdv1.ProbeResult) bool {
	for _, c := range result.GetCases() {
		if len(c.GetPlaces()) > len(result.GetCases()[0].GetPlaces()) {
			break // the smaller come first
		}
		for _, p := range c.GetPlaces() {
			for _, f := range p.GetOneOf() {
				switch f.GetKind() {
				case facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_INACTIVE,
					facetdv1.FaultKind_FAULT_KIND_LANE_OPEN, facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED:
				default:
					return false
				}
			}
		}
	}
	return true
}
