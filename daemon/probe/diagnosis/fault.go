package diagnosis

import (
	"cmp"
	"fmt"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// Kind is what is wrong.
type Kind uint8

// The kinds of fault. Of several faults that explain the same, the one of the first kind is named.
const (
	// StuckActive is a select line that is always active.
	StuckActive Kind = iota + 1
	// StuckInactive is a select line that is never active.
	StuckInactive
	// LaneOpen is a lane that its converter is cut off from.
	LaneOpen
	// LaneSaturated is a lane whose converter always reads full scale.
	LaneSaturated
	// Dead is a chip that never drives its lane.
	Dead
	// OpenActive is a disconnected select input that always counts as active.
	OpenActive
	// OpenInactive is a disconnected select input that always counts as inactive.
	OpenInactive
	// Swapped is two lines that the host drives in each other's place.
	Swapped
	// Shorted is a select input that follows another line as well as its own.
	Shorted
)

// kinds are the names in JSON and the schema's kinds, by Kind.
var kinds = [...]struct {
	name   string
	schema facetdv1.FaultKind
}{
	{"none", facetdv1.FaultKind_FAULT_KIND_UNSPECIFIED},
	{"line_stuck_active", facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_ACTIVE},
	{"line_stuck_inactive", facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_INACTIVE},
	{"lane_open", facetdv1.FaultKind_FAULT_KIND_LANE_OPEN},
	{"lane_saturated", facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED},
	{"chip_dead", facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD},
	{"input_open_active", facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_ACTIVE},
	{"input_open_inactive", facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_INACTIVE},
	{"lines_swapped", facetdv1.FaultKind_FAULT_KIND_LINES_SWAPPED},
	{"input_shorted", facetdv1.FaultKind_FAULT_KIND_INPUT_SHORTED},
}

func (k Kind) String() string { return kinds[k].name }

// Fault is one fault of an array. Fields that its kind does not need are 0.
type Fault struct {
	Kind Kind
	// Line is the stuck line, or the lower of two swapped ones.
	Line int
	// Other is the higher of two swapped lines, or the foreign line of a shorted
	// input.
	Other int
	// Chip and Input (from 0) are the place of an input's fault or a dead chip.
	Chip, Input int
	// Lane of a lane's fault.
	Lane int
}

// atInput reports whether the fault is one of a select input.
func (f Fault) atInput() bool {
	return f.Kind == OpenActive || f.Kind == OpenInactive || f.Kind == Shorted
}

// Compare orders faults: by kind, then by place.
func (f Fault) Compare(g Fault) int {
	return cmp.Or(cmp.Compare(f.Kind, g.Kind), cmp.Compare(f.Chip, g.Chip), cmp.Compare(f.Input, g.Input),
		cmp.Compare(f.Lane, g.Lane), cmp.Compare(f.Line, g.Line), cmp.Compare(f.Other, g.Other))
}

// contradicts reports whether two faults cannot occur together.
func (f Fault) contradicts(g Fault) bool {
	if f.Kind > g.Kind {
		f, g = g, f
	}
	switch {
	case f == g:
		return true
	case f.Kind == StuckActive && g.Kind == StuckInactive:
		return f.Line == g.Line
	case f.Kind == OpenActive && g.Kind == OpenInactive:
		return f.Chip == g.Chip && f.Input == g.Input
	}
	return false
}

// Message returns the fault in the schema's form.
func (f Fault) Message(a *chipmodel.Array) *facetdv1.Fault {
	m := &facetdv1.Fault{Kind: kinds[f.Kind].schema}
	switch f.Kind {
	case StuckActive, StuckInactive:
		m.Line = a.Lines[f.Line]
	case Swapped:
		m.Line, m.OtherLine = a.Lines[f.Line], a.Lines[f.Other]
	case LaneOpen, LaneSaturated:
		m.Lane = a.Lanes[f.Lane].Name
	case Dead:
		m.Chip = a.Chips[f.Chip].Name
	case OpenActive, OpenInactive, Shorted:
		m.Chip, m.Input = a.Chips[f.Chip].Name, uint32(f.Input)
		m.Line = a.Lines[a.Chips[f.Chip].Selects[f.Input]]
		if f.Kind == Shorted {
			m.OtherLine = a.Lines[f.Other]
		}
	}
	return m
}

// place is where the fault is and how it behaves, in words.
func (f Fault) place(a *chipmodel.Array) string {
	switch f.Kind {
	case StuckActive:
		return fmt.Sprintf("line %s is always active", a.Lines[f.Line])
	case StuckInactive:
		return fmt.Sprintf("line %s is never active", a.Lines[f.Line])
	case Swapped:
		return fmt.Sprintf("lines %s and %s are swapped on the host's side", a.Lines[f.Line], a.Lines[f.Other])
	case LaneOpen:
		return fmt.Sprintf("none of the chips on lane %s is ever seen", a.Lanes[f.Lane].Name)
	case LaneSaturated:
		return fmt.Sprintf("the converter of lane %s always reads full scale", a.Lanes[f.Lane].Name)
	case Dead:
		return fmt.Sprintf("chip %s, on lane %s, never drives", a.Chips[f.Chip].Name,
			a.Lanes[a.Chips[f.Chip].Lane].Name)
	}
	chip := &a.Chips[f.Chip]
	behaves := "behaves as always active"
	switch f.Kind {
	case OpenInactive:
		behaves = "behaves as always inactive"
	case Shorted:
		behaves = "follows line " + a.Lines[f.Other] + " as well"
	}
	return fmt.Sprintf("input %d of chip %s, wired to line %s, %s", f.Input, chip.Name, a.Lines[chip.Selects[f.Input]],
		behaves)
}

// advice is where to look for the cause of the fault.
func (f Fault) advice(a *chipmodel.Array) string {
	switch f.Kind {
	case StuckActive:
		return "look at the driver of the line and for a short to the active level, along its whole length"
	case StuckInactive:
		return "look at the driver of the line, its connector, and for a short to the inactive level"
	case Swapped:
		return "compare the host's connector with the array file"
	case LaneOpen:
		return "look at the wire from the last chip of the lane to its converter, and at the converter's input"
	case LaneSaturated:
		return "look for a short of the lane to the supply, and at the converter's reference"
	case Dead:
		return "look at the chip's supply, its output bond and its clock"
	case Shorted:
		return "look for a bridge between the input's pad and line " + a.Lines[f.Other]
	}
	return "look at the bond and the solder joint of that input"
}

// allFaults lists every single fault of an array, by Compare. Lanes without chips, which are never read out, are left
// out.
func allFaults(a *chipmodel.Array) []Fault {
	var out []Fault
	for _, k := range []Kind{StuckActive, StuckInactive} {
		for l := range a.Lines {
			out = append(out, Fault{Kind: k, Line: l})
		}
	}
	for _, k := range []Kind{LaneOpen, LaneSaturated} {
		for l := range a.Lanes {
			if len(a.Lanes[l].Chips) > 0 {
				out = append(out, Fault{Kind: k, Lane: l})
			}
		}
	}
	for c := range a.Chips {
		out = append(out, Fault{Kind: Dead, Chip: c})
	}
	for _, k := range []Kind{OpenActive, OpenInactive} {
		for c := range a.Chips {
			for i := range a.Chips[c].Selects {
				out = append(out, Fault{Kind: k, Chip: c, Input: i})
			}
		}
	}
	for l := range a.Lines {
		for m := l + 1; m < len(a.Lines); m++ {
			out = append(out, Fault{Kind: Swapped, Line: l, Other: m})
		}
	}
	for c := range a.Chips {
		for i, own := range a.Chips[c].Selects {
			for l := range a.Lines {
				if l != own {
					out = append(out, Fault{Kind: Shorted, Chip: c, Input: i, Other: l})
				}
			}
		}
	}
	return out
}

// places joins the places of a set of faults.
func places(a *chipmodel.Array, faults []Fault) string {
	if len(faults) == 0 {
		return "there is no fault"
	}
	parts := make([]string, len(faults))
	for i, f := range faults {
		parts[i] = f.place(a)
	}
	return strings.Join(parts, ", and ")
}
