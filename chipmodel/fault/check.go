package fault

import (
	"fmt"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
)

// checker turns faults given by names into faults of an array, and collects every error.
type checker struct {
	a    *chipmodel.Array
	f    *Set
	path string // of the fault being checked
	m    invalid.Errors
}

func (c *checker) wrong(field, hint, format string, args ...any) {
	path := c.path
	if field != "" {
		path += "." + field
	}
	c.m.Add(path, fmt.Sprintf(format, args...), hint)
}

func (c *checker) add(m *facetdv1.Fault) {
	before := len(c.m)
	switch k := m.GetKind(); k {
	case facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_ACTIVE, facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_INACTIVE:
		line := c.line("line", m.GetLine())
		c.unused(m, "line")
		if len(c.m) == before {
			c.stuck(line, k == facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_ACTIVE)
		}
	case facetdv1.FaultKind_FAULT_KIND_LINES_SWAPPED:
		x, y := c.line("line", m.GetLine()), c.line("other_line", m.GetOtherLine())
		c.unused(m, "line", "other_line")
		if x == y && x >= 0 {
			c.wrong("other_line", "name another line", "line %q cannot be swapped with itself", m.GetLine())
		}
		c.f.swaps = append(c.f.swaps, [2]int{x, y})
	case facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_ACTIVE, facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_INACTIVE,
		facetdv1.FaultKind_FAULT_KIND_INPUT_SHORTED:
		c.input(m)
	case facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD:
		c.f.Dead[c.chip(m.GetChip())] = true
		c.unused(m, "chip")
	case facetdv1.FaultKind_FAULT_KIND_LANE_OPEN:
		c.f.LaneOpen[c.lane(m.GetLane())] = true
		c.unused(m, "lane")
	case facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED:
		c.f.LaneSaturated[c.lane(m.GetLane())] = true
		c.unused(m, "lane")
	default:
		c.wrong("kind", "give one of the kinds of fault", "the fault has no known kind")
	}
}

func (c *checker) stuck(line int, active bool) {
	set, other := &c.f.stuckActive, &c.f.stuckInactive
	if !active {
		set, other = other, set
	}
	if other.Has(line) {
		c.wrong("kind", "keep one of both", "line %q is said to be always active and never active", c.a.Lines[line])
	}
	*set |= 1 << uint(line)
}

func (c *checker) input(m *facetdv1.Fault) {
	shorted := m.GetKind() == facetdv1.FaultKind_FAULT_KIND_INPUT_SHORTED
	chip := c.chip(m.GetChip())
	other := -1
	if shorted {
		other = c.line("other_line", m.GetOtherLine())
		c.unused(m, "chip", "input", "line", "other_line")
	} else {
		c.unused(m, "chip", "input", "line")
	}
	if chip < 0 {
		return
	}
	selects := c.a.Chips[chip].Selects
	i := int(m.GetInput())
	if i >= len(selects) {
		c.wrong("input", fmt.Sprintf("inputs count from 0 to %d", len(selects)-1), "chip %q has no input %d",
			m.GetChip(), i)
		return
	}
	if wired := c.a.Lines[selects[i]]; m.GetLine() != "" && m.GetLine() != wired {
		c.wrong("line", "leave it out, or name that line", "input %d of chip %q is wired to line %q, not to %q", i,
			m.GetChip(), wired, m.GetLine())
	}
	key := [2]int{chip, i}
	broken := c.f.inputs[key]
	switch {
	case shorted && other == selects[i]:
		c.wrong("other_line", "name another line", "the input is wired to line %q already", m.GetOtherLine())
	case shorted && other >= 0:
		broken.shorted |= 1 << uint(other)
	case !shorted:
		pull := m.GetKind() == facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_ACTIVE
		if broken.open && broken.pull != pull {
			c.wrong("kind", "keep one of both", "input %d of chip %q is said to be always active and always inactive",
				i, m.GetChip())
		}
		broken.open, broken.pull = true, pull
	}
	c.f.inputs[key] = broken
}

func (c *checker) line(field, name string) int {
	line := c.a.Line(name)
	if line < 0 {
		c.wrong(field, "name a select line of the array file", "no select line is called %q", name)
	}
	return line
}

func (c *checker) chip(name string) int {
	chip := c.a.Chip(name)
	if chip < 0 {
		c.wrong("chip", "name a chip of the array file", "no chip is called %q", name)
	}
	return chip
}

func (c *checker) lane(name string) int {
	for i := range c.a.Lanes {
		if c.a.Lanes[i].Name == name {
			return i
		}
	}
	c.wrong("lane", "name a lane of the array file", "no lane is called %q", name)
	return -1
}

// unused reports fields that are set and that the kind does not need.
func (c *checker) unused(m *facetdv1.Fault, needed ...string) {
	for _, f := range []struct {
		name string
		set  bool
	}{
		{"line", m.GetLine() != ""}, {"other_line", m.GetOtherLine() != ""}, {"chip", m.GetChip() != ""},
		{"input", m.GetInput() != 0}, {"lane", m.GetLane() != ""},
	} {
		used := false
		for _, n := range needed {
			used = used || n == f.name
		}
		if f.set && !used {
			c.wrong(f.name, "leave it out", "a fault of this kind has no %s", f.name)
		}
	}
}
