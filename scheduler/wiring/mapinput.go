package wiring

import (
	"fmt"

	"facetd.example/api/invalid"
)

// MapInput is a wiring with the names to draw it by.
type MapInput struct {
	Title  string
	Lines  []string // names of the host lines
	Chips  []MapChip
	Groups []MapGroup
	// Device says which pins drive the lines; nil where that is not known.
	Device *MapDevice
	// Marks are places to look at; nil for none.
	Marks *Marks
}

// MapChip is a row of a map.
type MapChip struct {
	Name string
	Lane string // may be empty
	// Inputs are the lines of the chip's inputs, input 0 first.
	Inputs []int
}

// MapGroup is a set of chips to be marked.
type MapGroup struct {
	Name  string
	Chips []int
	// Words is the number of select words that the group needs; 0 where not known.
	Words int
}

// MapOf names the parts of a design by number: line names, chip names and lane
// names in order, and a name for each group. Inputs take a chip's lines in
// ascending order. Missing names become numbers.
func MapOf(title string, spec Spec, r Result, lines, chips, lanes, groups []string) MapInput {
	in := MapInput{Title: title}
	for i := range r.Lines {
		in.Lines = append(in.Lines, nameOr(lines, i, "line"))
	}
	for i, wires := range r.Wires {
		in.Chips = append(in.Chips, MapChip{
			Name: nameOr(chips, i, "chip"), Lane: nameOr(lanes, spec.Chips[i].Lane, "lane"), Inputs: wires.Lines()})
	}
	for i, g := range spec.Groups {
		in.Groups = append(in.Groups, MapGroup{Name: nameOr(groups, i, "group"), Chips: g.Chips, Words: r.Words[i]})
	}
	return in
}

func nameOr(names []string, i int, kind string) string {
	if i < len(names) && names[i] != "" {
		return names[i]
	}
	return fmt.Sprintf("%s %d", kind, i)
}

// check returns every error of a map (invalid.Errors).
func (in *MapInput) check() error {
	var m invalid.Errors
	if len(in.Chips) == 0 || len(in.Chips) > MaxChips {
		m.Add("chips", fmt.Sprintf("%d chips", len(in.Chips)), fmt.Sprintf("1 to %d", MaxChips))
	}
	if len(in.Lines) == 0 || len(in.Lines) > MaxLines {
		m.Add("lines", fmt.Sprintf("%d lines", len(in.Lines)), fmt.Sprintf("1 to %d", MaxLines))
	}
	for i, c := range in.Chips {
		for k, line := range c.Inputs {
			if line < 0 || line >= len(in.Lines) {
				m.Add(fmt.Sprintf("chips[%d].inputs[%d]", i, k), fmt.Sprintf("line %d", line),
					fmt.Sprintf("lines are 0 to %d", len(in.Lines)-1))
			}
		}
	}
	for i, g := range in.Groups {
		for k, c := range g.Chips {
			if c < 0 || c >= len(in.Chips) {
				m.Add(fmt.Sprintf("groups[%d].chips[%d]", i, k), fmt.Sprintf("chip %d", c),
					fmt.Sprintf("chips are 0 to %d", len(in.Chips)-1))
			}
		}
	}
	if in.Marks != nil {
		in.Marks.check(&m, in)
	}
	return m.Err()
}
