package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"facetd.example/chipmodel"
	"facetd.example/scheduler/wiring"
)

// probeMarks is what a map needs of the JSON of a probe.
type probeMarks struct {
	Verdict string        `json:"verdict"`
	Certain []markedFault `json:"certain"`
	Cases   []struct {
		Places [][]markedFault `json:"places"`
	} `json:"cases"`
	Chips []struct {
		Chip     string `json:"chip"`
		Measured string `json:"measured"`
	} `json:"chips"`
}

type markedFault struct {
	Kind      string `json:"kind"`
	Line      string `json:"line"`
	OtherLine string `json:"other_line"`
	Chip      string `json:"chip"`
	Input     int    `json:"input"`
	Lane      string `json:"lane"`
}

// readMarks reads the JSON of a probe and finds its places in the array. Every name that the array has not is an
// error.
func readMarks(stdin io.Reader, name string, a *chipmodel.Array) (*wiring.Marks, error) {
	src, err := open(stdin, name, nil, "")
	if err != nil {
		return nil, err
	}
	var p probeMarks
	if err := json.Unmarshal(src.data, &p); err != nil {
		return nil, fmt.Errorf("%s: this is not what facetctl probe --output json prints: %v", src.name, err)
	}
	if p.Verdict == "" {
		return nil, fmt.Errorf("%s: this is not what facetctl probe --output json prints: it has no verdict", src.name)
	}
	m := &marker{a: a, marks: wiring.NewMarks()}
	for _, c := range p.Cases {
		for _, place := range c.Places {
			for _, f := range place {
				m.mark(f, wiring.Suspected)
			}
		}
	}
	for _, f := range p.Certain {
		m.mark(f, wiring.Certain)
	}
	for _, c := range p.Chips {
		if c.Measured == "idle" || c.Measured == "saturated" {
			m.marks.Silent = append(m.marks.Silent, m.chip(c.Chip))
		}
	}
	if len(m.errs) > 0 {
		return nil, fmt.Errorf("%s is of another array: %w", src.name, errors.Join(m.errs...))
	}
	return m.marks, nil
}

// marker finds places by name and gathers those that are not there.
type marker struct {
	a     *chipmodel.Array
	marks *wiring.Marks
	errs  []error
}

func (m *marker) missing(what, name string) {
	m.errs = append(m.errs, fmt.Errorf("there is no %s %q", what, name))
}

func (m *marker) chip(name string) int {
	c := m.a.Chip(name)
	if c < 0 {
		m.missing("chip", name)
	}
	return c
}

func (m *marker) line(name string) int {
	l := m.a.Line(name)
	if l < 0 {
		m.missing("select line", name)
	}
	return l
}

func (m *marker) mark(f markedFault, mark wiring.Mark) {
	switch f.Kind {
	case "line_stuck_active", "line_stuck_inactive":
		m.marks.Lines[m.line(f.Line)] = mark
	case "lines_swapped":
		m.marks.Lines[m.line(f.Line)] = mark
		m.marks.Lines[m.line(f.OtherLine)] = mark
	case "lane_open", "lane_saturated":
		for i := range m.a.Lanes {
			if m.a.Lanes[i].Name == f.Lane {
				m.marks.Lanes[f.Lane] = mark
				return
			}
		}
		m.missing("lane", f.Lane)
	case "chip_dead":
		m.marks.Chips[m.chip(f.Chip)] = mark
	case "input_open_active", "input_open_inactive", "input_shorted":
		c := m.chip(f.Chip)
		m.marks.Inputs[[2]int{c, f.Input}] = mark
		if f.Kind == "input_shorted" {
			m.marks.Crossings[[2]int{c, m.line(f.OtherLine)}] = mark
		}
	default:
		m.missing("kind of fault", f.Kind)
	}
}
