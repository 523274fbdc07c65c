package diagnosis_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/daemon/probe/diagnosis"
)

// share is how well a set of faults was found.
type share int

const (
	exact   share = iota // it is the only explanation
	inClass              // it is among several that show the same
	open                 // one of its faults is hidden behind the other, or nothing is explained
)

// judge fails where anything that a result says is not so: of a chip's sample, of whether the chip itself drives, of a
// fault named, of the cases that one is to be of, and of the verdict. It knows of the array only what the reference
// does.
func judge(t *testing.T, a *chipmodel.Array, groundTruth []diagnosis.Fault, r *diagnosis.Result) share {
	t.Helper()
	messages := make([]*facetdv1.Fault, len(groundTruth))
	for i, f := range groundTruth {
		messages[i] = f.Message(a)
	}
	for c := range r.Chips {
		s := &r.Chips[c]
		word := a.Chips[c].Wires
		drives := driving(a, messages, word)
		if want := seenOn(a, messages, drives, drives, a.Chips[c].Lane); s.Measured && s.Level != want {
			t.Errorf("%v: chip %s was measured %v, and is %v", groundTruth, a.Chips[c].Name, s.Level, want)
		}
		if s.Measured == (s.Why != "") {
			t.Errorf("%v: chip %s measured %v, why not: %q", groundTruth, a.Chips[c].Name, s.Measured, s.Why)
		}
		if itself := slices.Contains(drives, c); s.Drives == diagnosis.Yes && !itself || s.Drives == diagnosis.No &&
			itself {
			t.Errorf("%v: chip %s drives %v, inferred %v", groundTruth, a.Chips[c].Name, itself, s.Drives)
		}
	}
	for _, f := range r.Certain {
		if !slices.Contains(groundTruth, f) {
			t.Errorf("%v: %v is called certain", groundTruth, f)
		}
	}
	if r.Verdict == diagnosis.FaultFree && len(groundTruth) > 0 || r.Verdict == diagnosis.Faulty &&
		len(groundTruth) == 0 {
		t.Errorf("%v: verdict %d", groundTruth, r.Verdict)
	}
	part := func(c diagnosis.Case) bool { // the case has a choice among the faults that are there
		return !slices.ContainsFunc(c.Places, func(place []diagnosis.Fault) bool {
			return !slices.ContainsFunc(place, func(f diagnosis.Fault) bool { return slices.Contains(groundTruth, f) })
		})
	}
	so := slices.IndexFunc(r.Cases, part)
	if r.Verdict == diagnosis.Unexplained || len(groundTruth) == 0 {
		return open
	}
	if so < 0 && len(groundTruth) <= 2 {
		t.Errorf("%v is in none of the cases %v", groundTruth, r.Cases)
	}
	whole := slices.ContainsFunc(r.Cases,
		func(c diagnosis.Case) bool { return part(c) && len(c.Places) == len(groundTruth) })
	switch {
	case whole && r.Explanations == 1:
		return exact
	case whole:
		return inClass
	}
	return open
}

// seenOn is what a lane shows when some chips are enabled and some listen, by the reference.
func seenOn(a *chipmodel.Array, faults []*facetdv1.Fault, enabled, listen []int, lane int) diagnosis.Level {
	open := false
	for _, f := range faults {
		switch {
		case f.Lane != a.Lanes[lane].Name:
		case f.Kind == facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED:
			return diagnosis.Saturated
		default:
			open = true
		}
	}
	for _, c := range enabled {
		if !open && a.Chips[c].Lane == lane && slices.Contains(listen, c) {
			return diagnosis.Driven
		}
	}
	return diagnosis.Idle
}

// probeByReference probes an array whose readouts the reference makes up.
func probeByReference(p *diagnosis.Planner, a *chipmodel.Array, faults []diagnosis.Fault) diagnosis.Result {
	messages := make([]*facetdv1.Fault, len(faults))
	for i, f := range faults {
		messages[i] = f.Message(a)
	}
	s := p.Start()
	for e, done := p.Next(s); !done; e, done = p.Next(s) {
		enabled := driving(a, messages, e.Enable)
		var all []diagnosis.Observation
		for _, word := range e.Readouts {
			listen := driving(a, messages, word)
			o := make(diagnosis.Observation, len(a.Lanes))
			for lane := range o {
				o[lane] = seenOn(a, messages, enabled, listen, lane)
			}
			all = append(all, o)
		}
		s = p.Update(s, e, all)
	}
	return p.Explain(s)
}

// invented are arrays of the test's own, each wired another way.
func invented(t *testing.T) map[string]*chipmodel.Array {
	t.Helper()
	out := map[string]*chipmodel.Array{}
	for name, wires := range map[string]struct {
		lines, lanes int
		chips        []string // digits are lines
	}{
		// Each chip has a line of its own: every two lines of one lane could be swapped and nothing would show.
		"private": {6, 1, []string{"0", "1", "2", "3", "4", "5"}},
		// Pairs of six lines on three lanes, as many as there are: neighbours differ in one line.
		"pairs": {6, 3, []string{"01", "02", "03", "04", "05", "12", "13", "14", "15", "23", "24", "25"}},
		// Chips of lane 0 listen whenever a partner on lane 1 does.
		"nested": {7, 2, []string{"01", "012", "13", "134", "25", "250", "36", "361", "46", "462"}},
	} {
		m := bustest.Message()
		m.Name, m.SelectLines, m.Groups = name, nil, nil
		for i := range wires.lines {
			m.SelectLines = append(m.SelectLines, fmt.Sprintf("l%d", i))
		}
		one, lane := m.Chips[0], m.Lanes[0]
		m.Chips, m.Lanes = nil, nil
		for i := range wires.lanes {
			l := proto.CloneOf(lane)
			l.Name = fmt.Sprintf("lane-%d", i)
			m.Lanes = append(m.Lanes, l)
		}
		for i, lines := range wires.chips {
			c := proto.CloneOf(one)
			c.Name, c.Lane, c.Selects = fmt.Sprintf("c%d", i), m.Lanes[i%wires.lanes].Name, nil
			for _, l := range lines {
				c.Selects = append(c.Selects, m.SelectLines[l-'0'])
			}
			m.Chips = append(m.Chips, c)
		}
		m.Classes = slices.DeleteFunc(m.Classes, func(c *facetdv1.ChipClass) bool { return c.Name != one.Class })
		a, errs := chipmodel.New(m)
		if len(errs) > 0 {
			t.Fatal(name, errs)
		}
		out[name] = a
	}
	return out
}

// Two faults at once get as much care as one: all pairs of dead chips of the demo, all pairs of a dead chip and a stuck
// line, and random pairs on the demo and on arrays of the test's own. Nothing that the probe says is false. A short run
// tries a few of them.
func TestNothingFalseIsSaidOfTwoFaults(t *testing.T) {
	t.Parallel()
	random := doubles(t)
	apart := 1
	if random == 0 {
		random, apart = 4, 83
	}
	a := crawler(t)
	p, err := diagnosis.New(a, diagnosis.Options{Thorough: true})
	if err != nil {
		t.Fatal(err)
	}
	var dead, stuck [][]diagnosis.Fault
	for c := range a.Chips {
		f := diagnosis.Fault{Kind: diagnosis.Dead, Chip: c}
		for d := range c {
			dead = append(dead, []diagnosis.Fault{{Kind: diagnosis.Dead, Chip: d}, f})
		}
		for l := range a.Lines {
			stuck = append(stuck, []diagnosis.Fault{{Kind: diagnosis.StuckActive, Line: l}, f},
				[]diagnosis.Fault{{Kind: diagnosis.StuckInactive, Line: l}, f})
		}
	}
	campaign(t, "demo, two dead chips", p, a, every(dead, apart))
	campaign(t, "demo, a dead chip and a stuck line", p, a, every(stuck, apart))
	r, _ := seeded(t)
	campaign(t, "demo, random pairs", p, a, randomPairs(r, p.Faults(), random))
	for name, a := range invented(t) {
		p, err := diagnosis.New(a, diagnosis.Options{Thorough: true})
		if err != nil {
			t.Fatal(err)
		}
		campaign(t, name+", random pairs", p, a, randomPairs(r, p.Faults(), random))
	}
}

func campaign(t *testing.T, what string, p *diagnosis.Planner, a *chipmodel.Array, sets [][]diagnosis.Fault) {
	t.Helper()
	count := map[share]int{}
	samples, measured := 0, 0
	for _, set := range sets {
		r := probeByReference(p, a, set)
		count[judge(t, a, set, &r)]++
		for _, s := range r.Chips {
			samples++
			if s.Measured {
				measured++
			}
		}
	}
	percent := func(n int) float64 { return 100 * float64(n) / float64(len(sets)) }
	t.Logf("%s: %d pairs of faults: %.1f %% exact, %.1f %% in their class, %.1f %% open; %.1f %% of the chips measured",
		what, len(sets), percent(count[exact]), percent(count[inClass]), percent(count[open]),
		100*float64(measured)/float64(samples))
}

// every takes sets at equal distances.
func every(sets [][]diagnosis.Fault, apart int) [][]diagnosis.Fault {
	var out [][]diagnosis.Fault
	for i := 0; i < len(sets); i += apart {
		out = append(out, sets[i])
	}
	return out
}

func randomPairs(r *rand.Rand, faults []diagnosis.Fault, n int) [][]diagnosis.Fault {
	var out [][]diagnosis.Fault
	for len(out) < n {
		set := []diagnosis.Fault{faults[r.IntN(len(faults))], faults[r.IntN(len(faults))]}
		slices.SortFunc(set, diagnosis.Fault.Compare)
		if !contradictory(set) {
			out = append(out, set)
		}
	}
	return out
}
