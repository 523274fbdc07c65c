package diagnosis

import (
	"fmt"
	"slices"
	"strings"
)

// Limits of what a report spells out.
const (
	mostCases  = 8
	mostPlaces = 16
)

// Report is the result for a person: what was measured, then what follows from it with what to do, then how to find
// out what is left open.
func (r *Result) Report() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Select lines of %s, %d readouts.\n", r.array.Name, r.Readouts)
	if r.EndedEarly != "" {
		fmt.Fprintf(&b, "The probe ended early: %s.\n", r.EndedEarly)
	}
	if r.Unclear > 0 {
		fmt.Fprintf(&b, "%d readouts were neither clearly idle nor clearly driven; more light, less of it, or a "+
			"longer discharge of the lanes may help.\n", r.Unclear)
	}
	r.reportChips(&b)
	r.reportVerdict(&b)
	for i, c := range r.Cases {
		if i == mostCases {
			fmt.Fprintf(&b, "Or %d more.\n", len(r.Cases)-i)
			break
		}
		r.reportCase(&b, i, c)
	}
	r.reportHidden(&b)
	r.reportByHand(&b)
	for _, c := range r.Contended {
		fmt.Fprintf(&b, "During the probe %s.\n", c)
	}
	for _, u := range r.Unsafe {
		fmt.Fprintf(&b, "Not made: %s.\n", u.String())
	}
	return b.String()
}

// reportChips says what was measured of each chip.
func (r *Result) reportChips(b *strings.Builder) {
	var missing, strangers []string
	by := map[Level][]string{}
	for c := range r.Chips {
		name := r.array.Chips[c].Name
		switch s := &r.Chips[c]; {
		case !s.Measured:
			missing = append(missing, fmt.Sprintf("%s (%s)", name, s.Why))
		default:
			by[s.Level] = append(by[s.Level], name)
			if s.Level == Driven && s.Drives == No {
				strangers = append(strangers, name)
			}
		}
	}
	b.WriteString("Measured, with outputs enabled and read out under each chip's own word:\n")
	if len(by[Driven]) == len(r.Chips) {
		fmt.Fprintf(b, "- every chip answers, all %d.\n", len(r.Chips))
	} else if len(by[Driven]) > 0 {
		fmt.Fprintf(b, "- %d of %d chips answer.\n", len(by[Driven]), len(r.Chips))
	}
	for _, kind := range []struct {
		level Level
		says  string
	}{{Idle, "no answer from"}, {Saturated, "the converter reads full scale for"}, {Unclear, "no clear answer from"}} {
		if names := by[kind.level]; len(names) > 0 {
			fmt.Fprintf(b, "- %s %s.\n", kind.says, strings.Join(names, ", "))
		}
	}
	if len(missing) > 0 {
		fmt.Fprintf(b, "- not measured: %s.\n", strings.Join(missing, "; "))
	}
	if len(strangers) > 0 {
		fmt.Fprintf(b, "Inferred: another chip answers in the place of %s.\n", strings.Join(strangers, ", "))
	}
}

// premise says under what condition the explanations are all that there can be.
func (r *Result) premise() string {
	if r.Pairs {
		return "if there are no more than two faults"
	}
	return "if there is no more than one fault; second ones were not looked for"
}

// stillOpen says of faults why they are not excluded: after an early end further readouts might have done it.
func (r *Result) stillOpen() string {
	if r.EndedEarly != "" {
		return "are not excluded by the readouts that were made"
	}
	return "cannot be excluded, since they show the same"
}

func (r *Result) reportVerdict(b *strings.Builder) {
	switch r.Verdict {
	case Unexplained:
		b.WriteString("No set of up to two faults explains what was seen: there are more faults, the wiring is not " +
			"the one described, or levels were misread.\n")
	case FaultFree:
		fmt.Fprintf(b, "No fault found, and none left open (%s).\n", r.premise())
	case NotExcluded:
		fmt.Fprintf(b, "No fault is needed to explain what was seen, but some %s (%s).\n", r.stillOpen(), r.premise())
	case Faulty:
		fmt.Fprintf(b, "Inferred from all readouts (%s):\n", r.premise())
	}
}

// reportCase spells out a case, with what to do for each of its faults.
func (r *Result) reportCase(b *strings.Builder, number int, c Case) {
	head := ""
	switch {
	case r.Verdict == NotExcluded && number == 0:
		head = "Not excluded:\n"
	case number > 0:
		head = "Or else:\n"
	}
	b.WriteString(head)
	for i, place := range c.Places {
		together := ""
		if i > 0 {
			together = "together with "
		}
		if len(place) == 1 {
			fmt.Fprintf(b, "- %s%s.\n  To do: %s.\n", together, place[0].place(r.array), place[0].advice(r.array))
			continue
		}
		fmt.Fprintf(b, "- %sone of these %d:\n", together, len(place))
		for k, f := range place {
			if k == mostPlaces {
				fmt.Fprintf(b, "  - %d more.\n", len(place)-k)
				break
			}
			fmt.Fprintf(b, "  - %s.\n    To do: %s.\n", f.place(r.array), f.advice(r.array))
		}
	}
}

// reportHidden sums up what could hide behind the cases.
func (r *Result) reportHidden(b *strings.Builder) {
	if len(r.Hidden) == 0 {
		return
	}
	var of []string
	add := func(what string) {
		if !slices.Contains(of, what) {
			of = append(of, what)
		}
	}
	for _, f := range r.Hidden {
		switch f.Kind {
		case StuckActive, StuckInactive:
			add("line " + r.array.Lines[f.Line])
		case Swapped:
			add(fmt.Sprintf("lines %s and %s", r.array.Lines[f.Line], r.array.Lines[f.Other]))
		case LaneOpen, LaneSaturated:
			add("lane " + r.array.Lanes[f.Lane].Name)
		default:
			add("chip " + r.array.Chips[f.Chip].Name)
		}
	}
	more := ""
	if len(of) > mostPlaces {
		of, more = of[:mostPlaces], fmt.Sprintf(" and %d more places", len(of)-mostPlaces)
	}
	fmt.Fprintf(b,
		"A further fault would not show beside it: %d are neither seen nor excluded, of %s%s. Clear what is "+
			"found and probe again.\n", len(r.Hidden), strings.Join(of, ", "), more)
}

func (r *Result) reportByHand(b *strings.Builder) {
	if len(r.ByHand) == 0 {
		return
	}
	b.WriteString("To find out which, cheapest first:\n")
	for i, m := range r.ByHand {
		fmt.Fprintf(b, "%d. %s.\n", i+1, m.What)
		for _, o := range m.Outcomes {
			fmt.Fprintf(b, "   - %s: %s.\n", o.Shows, r.left(&o))
		}
	}
}

// left sums up what is left after a measurement by hand.
func (r *Result) left(o *HandOutcome) string {
	n, first := 0, ""
	if o.NoFault {
		n, first = 1, "there is no fault"
	}
	for _, c := range o.Cases {
		sets := 1
		var faults []Fault
		for _, place := range c.Places {
			sets *= len(place)
			faults = append(faults, place[0])
		}
		if n += sets; first == "" {
			first = places(r.array, faults)
		}
	}
	switch {
	case n == 1:
		return first
	case n == 2 && o.NoFault && len(o.Cases) == 1:
		return first + ", or one other"
	}
	return fmt.Sprintf("%d explanations are left", n)
}

// Summary is the result in one line.
func (r *Result) Summary() string {
	answer := 0
	for i := range r.Chips {
		if r.Chips[i].Measured && r.Chips[i].Level == Driven {
			answer++
		}
	}
	says := ""
	switch r.Verdict {
	case FaultFree:
		says = "no fault found, and none left open"
	case NotExcluded:
		says = fmt.Sprintf("no fault is needed to explain what was seen, but %d cannot be excluded", r.Explanations-1)
		if r.EndedEarly != "" {
			says = fmt.Sprintf("no fault is needed to explain what was seen, but %d %s", r.Explanations-1,
				r.stillOpen())
		}
	case Faulty:
		says = fmt.Sprintf("one of %d explanations by faults", r.Explanations)
		if len(r.Certain) > 0 {
			says = places(r.array, r.Certain)
		}
	default:
		says = "nothing that was considered explains what was seen"
	}
	if r.EndedEarly != "" {
		says += "; it ended early: " + r.EndedEarly
	}
	return fmt.Sprintf("%s; measured: %d of %d chips answer to their own word", says, answer, len(r.Chips))
}
