package wiring

import (
	"fmt"
	"slices"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
)

// Aim is what a design minimises.
type Aim int

const (
	// LeastTraffic minimises the words sent: the sum over the groups of weight times
	// words.
	LeastTraffic Aim = iota
	// MostSingle minimises the weight of the groups that need more than one word.
	MostSingle
)

// Limits of a specification.
const (
	MaxLines  = 64
	MaxChips  = 1024
	MaxWeight = int64(1_000_000)
)

// defaultWork is about a second.
const defaultWork = 6_000_000

// Chip is a chip to be wired.
type Chip struct {
	// Lane is the index of the analog lane that the chip drives. Chips on one lane
	// never have the same wires.
	Lane int
	// Fixed are lines that inputs of the chip are wired to already.
	Fixed []int
	// Name and LaneName are for people, in errors; chip and lane are numbered where they are empty.
	Name, LaneName string
}

// title is what people call a chip.
func (s *Spec) title(chip int) string {
	if name := s.Chips[chip].Name; name != "" {
		return name
	}
	return fmt.Sprint(chip)
}

// laneTitle is what people call the lane of a chip.
func (c *Chip) laneTitle() string {
	switch {
	case c.LaneName != "":
		return "lane " + c.LaneName
	case c.Name != "":
		return "the lane without a name"
	}
	return fmt.Sprintf("lane %d", c.Lane)
}

// Group is a set of chips to be commanded together.
type Group struct {
	// Chips are indices of Spec.Chips.
	Chips []int
	// Weight is how often the group is commanded in a cycle, 1..MaxWeight.
	Weight int64
	// Once says that the commands are strobes: no chip may be reached twice.
	Once bool
}

// Spec describes what a wiring is needed for.
type Spec struct {
	Chips  []Chip
	Groups []Group
	// Lines is the number of host lines; for FewestLines the most there may be.
	Lines int
	// Inputs is the number of inputs of a chip, each to be wired to a line of its
	// own.
	Inputs int
	Aim    Aim
	// HideNone asks for a wiring that hides nothing: see HiddenBy.
	HideNone bool
	// Seed makes the local search repeatable; any value will do.
	Seed uint64
	// Work caps the search, in evaluated groups; 0 means a default of about a second.
	Work int
}

// Result is a wiring.
type Result struct {
	// Wires are the lines of each chip.
	Wires []chipmodel.LineSet
	// Lines is the number of host lines it is for.
	Lines int
	// Words are the select words that each group needs.
	Words []int
	// Cost is what Spec.Aim minimises.
	Cost int64
	// LowerBound is a cost that no wiring undercuts; from FewestLines it is a number
	// of lines that none does.
	LowerBound int64
	// Proved says that no wiring is better: the lower bound is reached.
	Proved bool
	// Found names where the wiring came from.
	Found string
}

// NoWiringError is the error of a specification that no wiring was found for. The
// caller offers more lines, more lanes or fewer chips.
type NoWiringError struct {
	Reason string
	// Proved says that there is none, rather than that the search ended.
	Proved bool
}

func (e *NoWiringError) Error() string {
	if e.Proved {
		return "no such wiring exists: " + e.Reason
	}
	return "no wiring found: " + e.Reason
}

// check returns every error of a specification (invalid.Errors).
func (s *Spec) check() error {
	var m invalid.Errors
	if n := len(s.Chips); n < 1 || n > MaxChips {
		m.Add("chips", fmt.Sprintf("%d chips", n), fmt.Sprintf("1 to %d", MaxChips))
	}
	if s.Lines < 1 || s.Lines > MaxLines {
		m.Add("lines", fmt.Sprintf("%d lines", s.Lines), fmt.Sprintf("1 to %d", MaxLines))
	}
	if s.Inputs < 1 || s.Inputs > max(1, s.Lines) {
		m.Add("inputs", fmt.Sprintf("%d inputs", s.Inputs), "at least 1, and no more than there are lines")
	}
	if s.Aim != LeastTraffic && s.Aim != MostSingle {
		m.Add("aim", fmt.Sprintf("unknown aim %d", s.Aim), "LeastTraffic or MostSingle")
	}
	if s.Work < 0 {
		m.Add("work", fmt.Sprintf("%d", s.Work), "0 for the default, or more")
	}
	for i, c := range s.Chips {
		s.checkChip(&m, fmt.Sprintf("chips[%d]", i), c)
	}
	for i, g := range s.Groups {
		s.checkGroup(&m, fmt.Sprintf("groups[%d]", i), g)
	}
	return m.Err()
}

func (s *Spec) checkChip(m *invalid.Errors, path string, c Chip) {
	if c.Lane < 0 {
		m.Add(path+".lane", fmt.Sprintf("%d", c.Lane), "lanes count from 0")
	}
	if len(c.Fixed) > s.Inputs {
		m.Add(path+".fixed", fmt.Sprintf("%d wires", len(c.Fixed)), fmt.Sprintf("a chip has %d inputs", s.Inputs))
	}
	for i, line := range c.Fixed {
		if line < 0 || line >= s.Lines {
			m.Add(path+".fixed", fmt.Sprintf("line %d", line), fmt.Sprintf("lines are 0 to %d", s.Lines-1))
		}
		if slices.Contains(c.Fixed[:i], line) {
			m.Add(path+".fixed", fmt.Sprintf("line %d twice", line), "each input has a line of its own")
		}
	}
}

func (s *Spec) checkGroup(m *invalid.Errors, path string, g Group) {
	if len(g.Chips) == 0 {
		m.Add(path+".chips", "no chips", "leave the group out")
	}
	if g.Weight < 1 || g.Weight > MaxWeight {
		m.Add(path+".weight", fmt.Sprintf("%d", g.Weight), fmt.Sprintf("1 to %d", MaxWeight))
	}
	for i, c := range g.Chips {
		if c < 0 || c >= len(s.Chips) {
			m.Add(path+".chips", fmt.Sprintf("chip %d", c), fmt.Sprintf("chips are 0 to %d", len(s.Chips)-1))
		}
		if slices.Contains(g.Chips[:i], c) {
			m.Add(path+".chips", fmt.Sprintf("chip %d twice", c), "")
		}
	}
}

// fixed returns the wires that are given, by chip.
func (s *Spec) fixed() []chipmodel.LineSet {
	words := make([]chipmodel.LineSet, len(s.Chips))
	for i, c := range s.Chips {
		for _, line := range c.Fixed {
			words[i] |= 1 << line
		}
	}
	return words
}
