package wiring

import (
	"errors"
	"fmt"
	"slices"

	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
)

// File is a specification with names, as a person writes it: YAML or JSON.
//
//	select_lines: [y0, y1, y2, y3]   # or lines: 4
//	inputs: 2
//	chips:
//	  - {name: left, lane: a}
//	  - {name: right, lane: b, selects: [y0]}   # wired already
//	groups:
//	  - {name: pair, chips: [left, right], weight: 30, once: true}
//	seed: 1
type File struct {
	// SelectLines names the host lines; Lines says how many there are where they
	// have no names yet, and they are then called y0, y1, ...
	SelectLines []string `yaml:"select_lines"`
	Lines       int      `yaml:"lines"`
	// Inputs of every chip; 0 means 3.
	Inputs int         `yaml:"inputs"`
	Chips  []FileChip  `yaml:"chips"`
	Groups []FileGroup `yaml:"groups"`
	// Aim is "traffic" (the default) or "single".
	Aim  string `yaml:"aim"`
	Seed uint64 `yaml:"seed"`
}

// FileChip is a chip by name. All chips without a lane are on one lane.
type FileChip struct {
	Name    string   `yaml:"name"`
	Lane    string   `yaml:"lane"`
	Selects []string `yaml:"selects"`
}

// FileGroup is a group by name; "all" among its chips means all. A weight of 0
// means 1.
type FileGroup struct {
	Name   string   `yaml:"name"`
	Chips  []string `yaml:"chips"`
	Weight int64    `yaml:"weight"`
	Once   bool     `yaml:"once"`
}

// defaultInputs is usual for small sensor chips: common practice, no source.
const defaultInputs = 3

// ParseFile reads a specification and checks it, collecting every error with its
// line. The names in the result are complete: one for every line, lane and group.
func ParseFile(name string, data []byte) (File, Spec, invalid.Errors) {
	var f File
	var m invalid.Errors
	doc := yamlfile.Parse(name, data)
	doc.Struct(&f)
	if doc.Empty() {
		m.Add("", "the file is empty", "give lines, inputs, chips and groups")
		return f, Spec{}, doc.Errors(m)
	}
	spec := f.spec(&m)
	if len(m) == 0 {
		errors.As(spec.check(), &m)
	}
	return f, spec, doc.Errors(m)
}

// spec turns names into numbers.
func (f *File) spec(m *invalid.Errors) Spec {
	if len(f.SelectLines) == 0 {
		for i := range min(max(f.Lines, 0), MaxLines+1) {
			f.SelectLines = append(f.SelectLines, fmt.Sprintf("y%d", i))
		}
	} else if f.Lines != 0 && f.Lines != len(f.SelectLines) {
		m.Add("lines", fmt.Sprintf("%d lines, but %d are named", f.Lines, len(f.SelectLines)), "give one of the two")
	}
	if f.Inputs == 0 {
		f.Inputs = defaultInputs
	}
	s := Spec{Lines: len(f.SelectLines), Inputs: f.Inputs, Seed: f.Seed}
	switch f.Aim {
	case "", "traffic":
	case "single":
		s.Aim = MostSingle
	default:
		m.Add("aim", fmt.Sprintf("unknown aim %q", f.Aim), `use "traffic" or "single"`)
	}
	lines := numbered(m, "select_lines", f.SelectLines, "select line")
	chips := f.chips(m, lines, &s)
	for i, g := range f.Groups {
		path := fmt.Sprintf("groups[%d]", i)
		if g.Name == "" {
			m.Add(path+".name", "the group has no name", "give it one")
		}
		form(m, path+".name", g.Name)
		group := Group{Weight: g.Weight, Once: g.Once}
		if group.Weight == 0 {
			group.Weight = 1
		}
		for k, name := range g.Chips {
			c, known := chips[name]
			switch {
			case name == "all" && len(g.Chips) == 1:
				for c := range f.Chips {
					group.Chips = append(group.Chips, c)
				}
			case !known:
				m.Add(fmt.Sprintf("%s.chips[%d]", path, k), fmt.Sprintf("no chip is called %q", name),
					"name chips of this file")
			case slices.Contains(group.Chips, c):
				m.Add(fmt.Sprintf("%s.chips[%d]", path, k), fmt.Sprintf("chip %q is listed twice", name),
					"name each chip once")
			default:
				group.Chips = append(group.Chips, c)
			}
		}
		s.Groups = append(s.Groups, group)
	}
	return s
}

// chips numbers the chips and their lanes.
func (f *File) chips(m *invalid.Errors, lines map[string]int, s *Spec) map[string]int {
	names := make([]string, len(f.Chips))
	lanes := map[string]int{}
	for i, c := range f.Chips {
		names[i] = c.Name
		form(m, fmt.Sprintf("chips[%d].lane", i), c.Lane)
		lane, known := lanes[c.Lane]
		if !known {
			lane = len(lanes)
			lanes[c.Lane] = lane
		}
		chip := Chip{Lane: lane, Name: c.Name, LaneName: c.Lane}
		for k, name := range c.Selects {
			line, known := lines[name]
			if !known {
				m.Add(fmt.Sprintf("chips[%d].selects[%d]", i, k), fmt.Sprintf("no select line is called %q", name),
					"name one of select_lines")
				continue
			}
			chip.Fixed = append(chip.Fixed, line)
		}
		s.Chips = append(s.Chips, chip)
	}
	return numbered(m, "chips", names, "chip")
}

// form reports, and adds to the errors, that a name has characters that no name has.
func form(m *invalid.Errors, path, name string) bool {
	if !invalid.BadName(name) {
		return false
	}
	m.Add(path, fmt.Sprintf("the name %q %s", name, invalid.BadNameMessage), invalid.BadNameHint)
	return true
}

// numbered maps names to their places and reports missing and repeated ones.
func numbered(m *invalid.Errors, path string, names []string, what string) map[string]int {
	out := map[string]int{}
	for i, name := range names {
		at := fmt.Sprintf("%s[%d]", path, i)
		switch first, taken := out[name]; {
		case name == "" || name == "all":
			m.Add(at, fmt.Sprintf("%q cannot be the name of a %s", name, what), "give it one of its own")
		case form(m, at, name):
		case taken:
			m.Add(at, fmt.Sprintf("the name %q is taken by %s %d", name, what, first+1), "names are unique")
		default:
			out[name] = i
		}
	}
	return out
}

// Report is a wiring with names, as JSON.
type Report struct {
	Chips  []ReportChip  `json:"chips"`
	Groups []ReportGroup `json:"groups"`
	Cost   int64         `json:"cost"`
	// LowerBound is what no wiring costs less than.
	LowerBound int64 `json:"lower_bound"`
	Proved     bool  `json:"proved"`
}

// ReportChip is a chip and the lines of its inputs.
type ReportChip struct {
	Name    string   `json:"name"`
	Selects []string `json:"selects"`
}

// ReportGroup is a group and the select words it needs.
type ReportGroup struct {
	Name  string `json:"name"`
	Words int    `json:"words"`
}

// Report names a result.
func (f *File) Report(r Result) Report {
	out := Report{Cost: r.Cost, LowerBound: r.LowerBound, Proved: r.Proved, Groups: []ReportGroup{}}
	for i, wires := range r.Wires {
		c := ReportChip{Name: f.Chips[i].Name}
		for _, line := range wires.Lines() {
			c.Selects = append(c.Selects, f.SelectLines[line])
		}
		out.Chips = append(out.Chips, c)
	}
	for i, g := range f.Groups {
		out.Groups = append(out.Groups, ReportGroup{g.Name, r.Words[i]})
	}
	return out
}

// Map names a result for drawing.
func (f *File) Map(title string, s Spec, r Result) MapInput {
	var chips, groups []string
	lanes := make([]string, len(s.Chips))
	for i, c := range f.Chips {
		chips = append(chips, c.Name)
		lanes[s.Chips[i].Lane] = c.Lane
	}
	for _, g := range f.Groups {
		groups = append(groups, g.Name)
	}
	return MapOf(title, s, r, f.SelectLines, chips, lanes, groups)
}
