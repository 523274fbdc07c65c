package diagnosis

import (
	"fmt"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// Verdict is what a probe concludes of the whole array.
type Verdict uint8

// The verdicts.
const (
	// FaultFree: no fault is needed to explain what was seen, and every one considered is excluded.
	FaultFree Verdict = iota + 1
	// NotExcluded: no fault is needed, but some would show the same.
	NotExcluded
	// Faulty: something is wrong.
	Faulty
	// Unexplained: nothing that is considered explains what was seen.
	Unexplained
)

// Drives is whether a chip itself drives its lane under its own select word, as far as the explanations agree.
type Drives uint8

// What explanations say of a chip.
const (
	NotInferred Drives = iota // second faults were not looked for, or nothing explains what was seen
	Yes
	No
	Undecided // the explanations differ
)

// Result is what a probe found. What it says of chips' samples is measured; what it says of faults is inferred from all
// readouts together, under the premise that there are no more than two (one, where Pairs is false and one explains
// everything).
type Result struct {
	Verdict Verdict
	// Certain are the faults that every explanation holds.
	Certain []Fault
	// Cases are the ways to explain what was seen, those of fewer faults first; of NotExcluded those that show the same
	// as no fault at all. Further faults may hide behind one.
	Cases []Case
	// Hidden are faults that would not show beside those of a case.
	Hidden []Fault
	// Explanations is how many sets of faults explain everything seen, none among them included.
	Explanations int
	// Pairs says that sets of two faults were considered.
	Pairs bool
	// EndedEarly says why readouts that would have told more, or measured a chip, were not made; empty where all were.
	EndedEarly string
	// Readouts is the number of readouts made.
	Readouts int
	// Unclear is how many readouts were neither clearly idle nor clearly driven.
	Unclear int
	// Chips are the samples of each chip under its own word.
	Chips []ChipSample
	// ByHand are measurements on the board that tell the cases apart, cheapest first.
	ByHand []HandMeasurement
	// Unsafe are experiments that would tell the cases apart but were not made.
	Unsafe []Unsafe
	// Contended are enabling writes by which chips drove a lane together, under some explanation.
	Contended []string

	array *chipmodel.Array
}

// Unsafe is an experiment that was not made because two chips could have driven one
// lane.
type Unsafe struct {
	// Enable and Readout are names of lines; Disable, where there is one, is a word under
	// which outputs are disabled again in between.
	Enable, Disable, Readout []string
	// Under is the fault under which Chips would be enabled together.
	Under string
	Lane  string
	Chips []string
}

// mostUnsafe limits the list of experiments that were not made: it is for a person to read.
const mostUnsafe = 8

// mostUnsafeSets limits the explanations among which such experiments are looked for.
const mostUnsafeSets = 256

// String says what was not done, and why.
func (u Unsafe) String() string {
	disabling := ""
	if u.Disable != nil {
		disabling = fmt.Sprintf(", disabling under {%s}", strings.Join(u.Disable, " "))
	}
	return fmt.Sprintf("enabling under {%s}%s and reading out under {%s} would tell more, but if %s, chips %s "+
		"would drive lane %s together",
		strings.Join(u.Enable, " "), disabling, strings.Join(u.Readout, " "), u.Under, strings.Join(u.Chips, " and "),
		u.Lane)
}

// mostHidden limits the hidden faults that are listed one by one.
const mostHidden = 256

// Message returns the result in the schema's form, without lanes.
func (r *Result) Message() *facetdv1.ProbeResult {
	m := &facetdv1.ProbeResult{
		Verdict: [...]facetdv1.ProbeVerdict{
			FaultFree:   facetdv1.ProbeVerdict_PROBE_VERDICT_FAULT_FREE,
			NotExcluded: facetdv1.ProbeVerdict_PROBE_VERDICT_NOT_EXCLUDED,
			Faulty:      facetdv1.ProbeVerdict_PROBE_VERDICT_FAULTY,
			Unexplained: facetdv1.ProbeVerdict_PROBE_VERDICT_UNEXPLAINED,
		}[r.Verdict],
		Certain: messages(r.array, r.Certain), Cases: caseMessages(r.array, r.Cases),
		Hidden:      messages(r.array, r.Hidden[:min(len(r.Hidden), mostHidden)]),
		HiddenCount: uint32(len(r.Hidden)), Explanations: uint32(r.Explanations), PairsConsidered: r.Pairs,
		EndedEarly: r.EndedEarly, Readouts: uint32(r.Readouts), Contended: r.Contended, Report: r.Report(),
	}
	for c := range r.Chips {
		m.Chips = append(m.Chips, r.chipMessage(c))
	}
	for _, h := range r.ByHand {
		by := &facetdv1.HandMeasurement{What: h.What}
		for _, o := range h.Outcomes {
			by.Outcomes = append(by.Outcomes, &facetdv1.HandOutcome{Shows: o.Shows, NoFault: o.NoFault,
				Cases: caseMessages(r.array, o.Cases)})
		}
		m.ByHand = append(m.ByHand, by)
	}
	for _, u := range r.Unsafe {
		m.Unsafe = append(m.Unsafe, u.String())
	}
	return m
}

func (r *Result) chipMessage(c int) *facetdv1.ProbedChip {
	sample := &r.Chips[c]
	m := &facetdv1.ProbedChip{
		Chip: r.array.Chips[c].Name, NotMeasured: sample.Why,
		InferredDrives: [...]facetdv1.Answer{
			NotInferred: facetdv1.Answer_ANSWER_UNSPECIFIED, Yes: facetdv1.Answer_ANSWER_YES,
			No: facetdv1.Answer_ANSWER_NO, Undecided: facetdv1.Answer_ANSWER_UNDECIDED,
		}[sample.Drives],
	}
	if sample.Measured {
		m.Measured = sample.Level.Message()
	}
	return m
}

// Message is the level in the schema's form.
func (l Level) Message() facetdv1.LaneLevel {
	return [...]facetdv1.LaneLevel{
		Idle: facetdv1.LaneLevel_LANE_LEVEL_IDLE, Driven: facetdv1.LaneLevel_LANE_LEVEL_DRIVEN,
		Saturated: facetdv1.LaneLevel_LANE_LEVEL_SATURATED, Unclear: facetdv1.LaneLevel_LANE_LEVEL_UNCLEAR,
	}[l]
}

func messages(a *chipmodel.Array, faults []Fault) []*facetdv1.Fault {
	out := make([]*facetdv1.Fault, len(faults))
	for i, f := range faults {
		out[i] = f.Message(a)
	}
	return out
}

func caseMessages(a *chipmodel.Array, cases []Case) []*facetdv1.FaultCase {
	var out []*facetdv1.FaultCase
	for _, c := range cases {
		m := &facetdv1.FaultCase{}
		for _, place := range c.Places {
			m.Places = append(m.Places, &facetdv1.FaultPlace{OneOf: messages(a, place)})
		}
		out = append(out, m)
	}
	return out
}
