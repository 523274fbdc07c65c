package diagnosis_test

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/daemon/probe/diagnosis"
)

// The reference works out what an experiment shows by names, one input at a time,
// from the schema's form of the faults. It shares no code with the planner.

// activeLines are the lines that are active at the chips.
func activeLines(a *chipmodel.Array, faults []*facetdv1.Fault, word chipmodel.LineSet) map[string]bool {
	host := map[string]bool{}
	for _, name := range a.LineNames(word) {
		host[name] = true
	}
	for _, f := range faults {
		if f.Kind == facetdv1.FaultKind_FAULT_KIND_LINES_SWAPPED {
			host[f.Line], host[f.OtherLine] = host[f.OtherLine], host[f.Line]
		}
	}
	for _, f := range faults {
		switch f.Kind {
		case facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_ACTIVE:
			host[f.Line] = true
		case facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_INACTIVE:
			host[f.Line] = false
		}
	}
	return host
}

// inputActive is the level of one select input.
func inputActive(faults []*facetdv1.Fault, chip string, input int, own string, active map[string]bool) bool {
	pull, open := false, false
	var others []string
	for _, f := range faults {
		if f.Chip != chip || int(f.Input) != input {
			continue
		}
		switch f.Kind {
		case facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_ACTIVE:
			open, pull = true, true
		case facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_INACTIVE:
			open = true
		case facetdv1.FaultKind_FAULT_KIND_INPUT_SHORTED:
			others = append(others, f.OtherLine)
		}
	}
	if open && len(others) == 0 {
		return pull
	}
	if !open {
		others = append(others, own)
	}
	return slices.ContainsFunc(others, func(line string) bool { return active[line] })
}

// driving are the chips that drive under a word when enabled.
func driving(a *chipmodel.Array, faults []*facetdv1.Fault, word chipmodel.LineSet) []int {
	active := activeLines(a, faults, word)
	var out []int
	for c := range a.Chips {
		chip := &a.Chips[c]
		drives := !slices.ContainsFunc(faults, func(f *facetdv1.Fault) bool {
			return f.Kind == facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD && f.Chip == chip.Name
		})
		for i, line := range chip.Selects {
			drives = drives && inputActive(faults, chip.Name, i, a.Lines[line], active)
		}
		if drives {
			out = append(out, c)
		}
	}
	return out
}

// reference is everything that any experiment with one enabling write shows under a
// set of faults: reaches of all words, as bits by chip, and the lanes' converters.
type reference struct {
	a        *chipmodel.Array
	messages []*facetdv1.Fault
	words    int
	known    []uint64 // by word, where knows says so
	knows    []bool

	lanes []uint64 // chips of each lane
	fixed []string // by lane: what it always shows, or ""
}

func newReference(a *chipmodel.Array, faults []diagnosis.Fault) *reference {
	messages := make([]*facetdv1.Fault, len(faults))
	for i, f := range faults {
		messages[i] = f.Message(a)
	}
	r := &reference{lanes: make([]uint64, len(a.Lanes)), fixed: make([]string, len(a.Lanes))}
	for c := range a.Chips {
		r.lanes[a.Chips[c].Lane] |= 1 << c
	}
	for lane := range a.Lanes {
		for _, f := range messages {
			switch {
			case f.Lane != a.Lanes[lane].Name:
			case f.Kind == facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED:
				r.fixed[lane] = "saturated"
			case r.fixed[lane] == "":
				r.fixed[lane] = "idle"
			}
		}
	}
	r.a, r.messages, r.words = a, messages, 1<<len(a.Lines)
	r.known, r.knows = make([]uint64, r.words), make([]bool, r.words)
	return r
}

// reach is the chips that a word reaches, which is found out when somebody asks.
func (r *reference) reach(word int) uint64 {
	if !r.knows[word] {
		r.knows[word] = true
		for _, c := range driving(r.a, r.messages, chipmodel.LineSet(word)) {
			r.known[word] |= 1 << c
		}
	}
	return r.known[word]
}

// clash reports whether enabling under a word makes two chips of a lane drive.
func (r *reference) clash(enable int) bool {
	for _, lane := range r.lanes {
		if bits.OnesCount64(r.reach(enable)&lane) > 1 {
			return true
		}
	}
	return false
}

// code is what shows says, as a number.
func (r *reference) code(enable, readout int) uint64 {
	both, code := r.reach(enable)&r.reach(readout), uint64(0)
	for i, lane := range r.lanes {
		switch {
		case r.fixed[i] == "saturated":
			code = 4*code + 3
		case r.fixed[i] == "" && both&lane != 0:
			code = 4*code + 2
		default:
			code = 4*code + 1
		}
	}
	return code
}

func (r *reference) shows(enable, readout int) string {
	var b strings.Builder
	for i, lane := range r.lanes {
		switch {
		case r.fixed[i] != "":
			b.WriteString(r.fixed[i] + " ")
		case r.reach(enable)&r.reach(readout)&lane != 0:
			b.WriteString("driven ")
		default:
			b.WriteString("idle ")
		}
	}
	return b.String()
}

// separate reports whether some pair of words, that clashes under none of the
// references nor on a fault-free array, shows different things under two of them.
func separate(good *reference, refs []*reference) bool {
	group := func(all []int) []int { // one of the words that reach alike
		seen := map[string]bool{}
		return slices.DeleteFunc(all, func(w int) bool {
			key := ""
			for _, r := range refs {
				key += fmt.Sprintf("%x,", r.reach(w))
			}
			defer func() { seen[key] = true }()
			return seen[key]
		})
	}
	var safe, words []int
	for w := range good.words {
		words = append(words, w)
		if !good.clash(w) && !slices.ContainsFunc(refs, func(r *reference) bool { return r.clash(w) }) {
			safe = append(safe, w)
		}
	}
	words = group(words)
	for _, u := range group(safe) {
		for _, w := range words {
			first := refs[0].code(u, w)
			for _, r := range refs[1:] {
				if r.code(u, w) != first {
					return true
				}
			}
		}
	}
	return false
}

// The compact form that the planner works with agrees with the reference.
func TestObserveAgreesWithTheReference(t *testing.T) {
	t.Parallel()
	a := crawler(t)
	m, err := diagnosis.NewModel(a)
	if err != nil {
		t.Fatal(err)
	}
	r, seed := seeded(t)
	faults := m.Faults()
	for range 300 {
		set := make([]diagnosis.Fault, r.IntN(4))
		for i := range set {
			set[i] = faults[r.IntN(len(faults))]
		}
		if contradictory(set) {
			continue
		}
		ref := newReference(a, set)
		u, w := r.IntN(1<<len(a.Lines)), r.IntN(1<<len(a.Lines))
		got := m.Observe(set, diagnosis.Experiment{Enable: chipmodel.LineSet(u),
			Readouts: []chipmodel.LineSet{chipmodel.LineSet(w), chipmodel.LineSet(u)}})
		for i, readout := range []int{w, u} {
			if said, want := levels(got.Levels[i]), ref.shows(u, readout); said != want {
				t.Fatalf("seed %d: %v under %b then %b: %q, want %q", seed, set, u, readout, said, want)
			}
		}
		if (got.Contending != nil) != ref.clash(u) || got.Lasting != ref.clash(u) {
			t.Fatalf("seed %d: %v under %b: %v contend, lasting %v, want %v", seed, set, u, got.Contending, got.Lasting,
				ref.clash(u))
		}
	}
}

func levels(o diagnosis.Observation) string {
	var b strings.Builder
	for _, l := range o {
		b.WriteString(l.String() + " ")
	}
	return b.String()
}

// contradictory reports whether a set holds one fault twice, or two that exclude
// each other.
func contradictory(set []diagnosis.Fault) bool {
	for i, f := range set {
		for _, g := range set[:i] {
			stuck := f.Kind <= diagnosis.StuckInactive && g.Kind <= diagnosis.StuckInactive && f.Line == g.Line
			open := isOpen(f) && isOpen(g) && f.Chip == g.Chip && f.Input == g.Input
			if f == g || stuck || open {
				return true
			}
		}
	}
	return false
}

func isOpen(f diagnosis.Fault) bool {
	return f.Kind == diagnosis.OpenActive || f.Kind == diagnosis.OpenInactive
}
