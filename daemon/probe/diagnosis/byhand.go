package diagnosis

import (
	"fmt"
	"slices"
	"strings"

	"facetd.example/chipmodel"
)

// HandMeasurement is made by a person at the board, to tell apart what readouts leave open.
type HandMeasurement struct {
	// What is measured, and how.
	What string
	// Outcomes are what it can show, each with what is then left.
	Outcomes []HandOutcome
}

// HandOutcome is one thing that a measurement by hand can show. Cases are the explanations that go with it; NoFault
// says that a fault-free array goes with it too.
type HandOutcome struct {
	Shows   string
	Cases   []Case
	NoFault bool
}

// What a measurement by hand costs, in steps of effort (common practice, no source): to look at pictures with the power
// on, to hold a probe to a line with the power on, to measure ohms between connectors with the power off, to measure
// them at the pads of a die.
const (
	byLooking = iota
	byVolts
	byOhms
	byPads
)

// handCheck is a measurement that may tell sets of faults apart.
type handCheck struct {
	cost  int
	what  string
	shows func(set []Fault) string
}

// Limits of what is worked out and told.
const (
	mostHandSets = 1024
	mostByHand   = 12
)

// byHand chooses measurements that tell sets of faults apart as far as that can be: the cheapest first, of equal ones
// the one that tells most apart. Of too many sets it would leave some out and then be wrong about what is left: there
// are none.
func (p *Planner) byHand(sets [][]Fault) []HandMeasurement {
	if len(sets) < 2 || len(sets) > mostHandSets {
		return nil
	}
	checks := p.handChecks(sets)
	var out []HandMeasurement
	groups := [][][]Fault{sets}
	for len(out) < mostByHand {
		best, parts := -1, groups
		for i, c := range checks {
			split := splitBy(groups, c.shows)
			if len(split) > len(groups) && (best < 0 || c.cost < checks[best].cost ||
				c.cost == checks[best].cost && len(split) > len(parts)) {
				best, parts = i, split
			}
		}
		if best < 0 {
			break
		}
		out = append(out, measurement(checks[best], sets))
		groups = parts
	}
	return out
}

func splitBy(groups [][][]Fault, shows func([]Fault) string) [][][]Fault {
	var out [][][]Fault
	for _, group := range groups {
		index := map[string]int{}
		for _, set := range group {
			key := shows(set)
			i, known := index[key]
			if !known {
				i = len(out)
				index[key] = i
				out = append(out, nil)
			}
			out[i] = append(out[i], set)
		}
	}
	return out
}

func measurement(c handCheck, sets [][]Fault) HandMeasurement {
	m := HandMeasurement{What: c.what}
	for _, group := range splitBy([][][]Fault{sets}, c.shows) {
		m.Outcomes = append(m.Outcomes, HandOutcome{
			Shows: c.shows(group[0]), Cases: casesOf(group),
			NoFault: slices.ContainsFunc(group, func(set []Fault) bool { return len(set) == 0 }),
		})
	}
	return m
}

// handChecks lists what may tell sets apart, in the order of the faults.
func (p *Planner) handChecks(sets [][]Fault) []handCheck {
	var out []handCheck
	known := map[string]bool{}
	add := func(c handCheck, ok bool) {
		if ok && !known[c.what] {
			known[c.what] = true
			out = append(out, c)
		}
	}
	for _, set := range sets {
		for _, f := range set {
			switch f.Kind {
			case StuckActive, StuckInactive:
				add(p.lineCheck(f.Line), true)
			case LaneOpen, LaneSaturated:
				add(p.laneCheck(f.Lane), true)
			case Swapped:
				c, ok := p.coverCheck(f, sets)
				add(c, ok)
				add(p.pinCheck(f.Line), true)
				add(p.pinCheck(f.Other), true)
			case OpenActive, OpenInactive, Shorted:
				add(p.padCheck(f.Chip, f.Input), true)
			}
		}
	}
	return out
}

func (p *Planner) lineCheck(line int) handCheck {
	name := p.a.Lines[line]
	return handCheck{byVolts,
		fmt.Sprintf("measure the volts of line %s on the board while it is selected and while it "+
			"is not", name), func(set []Fault) string {
			switch {
			case slices.Contains(set, Fault{Kind: StuckActive, Line: line}):
				return "it stays active"
			case slices.Contains(set, Fault{Kind: StuckInactive, Line: line}):
				return "it stays inactive"
			}
			return "it changes"
		}}
}

func (p *Planner) laneCheck(lane int) handCheck {
	name := p.a.Lanes[lane].Name
	return handCheck{byVolts, fmt.Sprintf("measure the volts of lane %s at its last chip while chips on it are read "+
		"out", name), func(set []Fault) string {
		switch {
		case slices.Contains(set, Fault{Kind: LaneSaturated, Lane: lane}):
			return "codes stay at full scale"
		case slices.Contains(set, Fault{Kind: LaneOpen, Lane: lane}):
			return "volts move and codes do not"
		}
		return "codes follow the volts"
	}}
}

// pinCheck finds out where a line of the host ends on the board.
func (p *Planner) pinCheck(line int) handCheck {
	return handCheck{byOhms, fmt.Sprintf("with the power off, find which line of the board the host's pin of %s meets",
		p.a.Lines[line]), func(set []Fault) string {
		swaps := slices.DeleteFunc(slices.Clone(set), func(f Fault) bool { return f.Kind != Swapped })
		return "it meets " + p.a.Lines[net(swaps, 1<<uint(line)).Lowest()]
	}}
}

// padCheck finds out which lines an input is connected to.
func (p *Planner) padCheck(chip, input int) handCheck {
	c := &p.a.Chips[chip]
	return handCheck{byPads, fmt.Sprintf("with the power off, find which lines the pad of input %d of chip %s meets, "+
		"and whether its bond holds", input, c.Name), func(set []Fault) string {
		lines, open := []string{p.a.Lines[c.Selects[input]]}, false
		for _, f := range set {
			switch {
			case f.Chip != chip || f.Input != input:
			case f.Kind == OpenActive || f.Kind == OpenInactive:
				lines, open = lines[1:], true
			case f.Kind == Shorted:
				lines = append(lines, p.a.Lines[f.Other])
			}
		}
		switch {
		case open && len(lines) == 0:
			return "it meets no line, or its bond is broken"
		default:
			return "it meets " + strings.Join(lines, " and ") + " alone"
		}
	}}
}

// coverCheck finds out by the pictures whether two lines are swapped: a chip whose inputs are on just one of them is
// then read under the word of another. ok is false where frames of the array might make two chips drive one lane.
func (p *Planner) coverCheck(swap Fault, sets [][]Fault) (c handCheck, ok bool) {
	chip := slices.IndexFunc(p.wires, func(w chipmodel.LineSet) bool { return w.Has(swap.Line) != w.Has(swap.Other) })
	if chip < 0 {
		return c, false
	}
	reach := make([]uint64, len(p.a.Lanes))
	for _, set := range sets {
		for _, w := range p.wires {
			if p.reach(set, w, reach); clash(reach) {
				return c, false
			}
		}
	}
	return handCheck{byLooking, fmt.Sprintf("cover chip %s alone and see whose picture darkens", p.a.Chips[chip].Name),
		func(set []Fault) string {
			var darkens []string
			reach := make([]uint64, len(p.a.Lanes))
			for d, w := range p.wires {
				conv := converterOf(set).keep >> (2 * uint(p.lane[d])) & 1
				if p.reach(set, w, reach); p.lane[d] == p.lane[chip] && conv == 1 && reach[p.lane[d]]&p.bit[chip] != 0 {
					darkens = append(darkens, p.a.Chips[d].Name)
				}
			}
			if darkens == nil {
				return "none does"
			}
			return "that of " + strings.Join(darkens, " and ")
		}}, true
}
