package diagnosis

import (
	"fmt"
	"slices"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// Result is what a probe found. Its JSON form is stable.
type Result struct {
	// Explained says that some set of at most two faults explains everything seen.
	Explained bool `json:"explained"`
	// Faults is the smallest such set; empty for a fault-free array. Of several equal ones it is the first by
	// Fault.Compare.
	Faults []Named `json:"faults"`
	// Alternatives are the other sets that explain everything seen with as few
	// faults; of a fault-free array those with one.
	Alternatives [][]Named `json:"alternatives"`
	// Readouts is the number of readouts made.
	Readouts int `json:"readouts"`
	// Unclear is how many readouts were neither clearly idle nor clearly driven.
	Unclear int `json:"unclear,omitempty"`
	// Answers says for each chip whether it answers to its own word.
	Answers []Answer `json:"-"`
	// Larger is how many sets of two faults explain everything seen as well, where
	// one or none does; known only to a thorough probe.
	Larger int `json:"larger"`
	// Unsafe are the experiments that would tell the sets apart but were not made.
	Unsafe []Unsafe `json:"unsafe,omitempty"`
	// Thorough says that second faults were looked for as well.
	Thorough bool `json:"thorough"`
	// Contended are experiments in which chips drove a lane together for one
	// register write, under some set of faults that explains everything seen.
	Contended []string `json:"contended,omitempty"`

	array        *chipmodel.Array
	faults       []Fault
	alternatives [][]Fault
}

// Named is a fault with names in place of indices. Fields that its kind does not need are empty.
type Named struct {
	Kind string `json:"kind"`
	// Line is the stuck or first swapped line, or the one that an input is wired to.
	Line string `json:"line,omitempty"`
	// OtherLine is the second swapped line, or the foreign one of a shorted input.
	OtherLine string `json:"other_line,omitempty"`
	Chip      string `json:"chip,omitempty"`
	Input     *int   `json:"input,omitempty"`
	Lane      string `json:"lane,omitempty"`
}

// Answer is whether a chip answers to its own select word: whether its lane is
// driven under it.
type Answer uint8

// The answers.
const (
	Undecided Answer = iota // the sets of faults differ
	Answers
	Silent
)

// Unsafe is an experiment that was not made because two chips could have driven one
// lane.
type Unsafe struct {
	// Enable and Readout are names of lines; Disable, where there is one, is a word under
	// which outputs are disabled again in between.
	Enable  []string `json:"enable"`
	Disable []string `json:"disable,omitempty"`
	Readout []string `json:"readout"`
	// Under is the fault under which Chips would be enabled together.
	Under string   `json:"under"`
	Lane  string   `json:"lane"`
	Chips []string `json:"chips"`
}

// mostUnsafe limits the list of experiments that were not made: it is for a person to read.
const mostUnsafe = 8

// Explain returns the smallest sets of faults that are consistent with everything
// seen: none, one fault, then two.
func (p *Planner) Explain(s *State) Result {
	r := Result{array: p.a, Readouts: s.Readouts(), Unclear: s.unclear, Faults: []Named{}, Alternatives: [][]Named{}}
	hyps := p.of(s.node)
	if s.node == nil {
		p.widen(s)
		hyps = s.doubles
	}
	r.Answers = p.answers(hyps)
	if len(hyps) == 0 {
		return r
	}
	r.Explained = true
	r.faults = hyps[0].faults
	r.Faults = named(p.a, r.faults)
	for _, h := range hyps[1:] {
		r.alternatives = append(r.alternatives, h.faults)
		r.Alternatives = append(r.Alternatives, named(p.a, h.faults))
	}
	if s.node != nil {
		r.Larger = len(s.doubles)
	}
	r.Unsafe = p.unsafe(hyps)
	r.Thorough = s.wide
	r.Contended = p.contended(s, hyps)
	return r
}

func named(a *chipmodel.Array, faults []Fault) []Named {
	out := make([]Named, len(faults))
	for i, f := range faults {
		m := f.Message(a)
		out[i] = Named{Kind: f.Kind.String(), Line: m.GetLine(), OtherLine: m.GetOtherLine(), Chip: m.GetChip(),
			Lane: m.GetLane()}
		if f.atInput() {
			out[i].Input = &f.Input
		}
	}
	return out
}

// answers finds out whether a chip's lane is driven under the chip's own word. Which chip drives it is not asked:
// levels would not show that two chips have changed places.
func (p *Planner) answers(hyps []hypothesis) []Answer {
	out := make([]Answer, len(p.wires))
	buf := make([]uint64, len(p.a.Lanes))
	for c, word := range p.wires {
		yes := 0
		for _, h := range hyps {
			p.reach(h.faults, word, buf)
			visible := h.conv.keep>>(2*uint(p.lane[c]))&1 == 1
			if visible && buf[p.lane[c]] != 0 {
				yes++
			}
		}
		switch {
		case len(hyps) == 0:
		case yes == len(hyps):
			out[c] = Answers
		case yes == 0:
			out[c] = Silent
		}
	}
	return out
}

// unsafe lists experiments that would split the hypotheses if safety did not matter, until none would. They tell the
// operator what a measurement by hand could settle.
func (p *Planner) unsafe(hyps []hypothesis) []Unsafe {
	var out []Unsafe
	groups := [][]hypothesis{hyps}
	for len(groups) > 0 && len(out) < mostUnsafe {
		group := groups[0]
		groups = groups[1:]
		c := p.chooser(group)
		c.anything = true
		e, found := c.exact()
		if !found {
			if u, found := p.withDisabling(group); found {
				out = append(out, u)
			}
			continue
		}
		if u, unsafe := p.whyUnsafe(group, e); unsafe {
			out = append(out, u)
		}
		groups = append(groups, p.split(group, e)...)
	}
	return out
}

// mostWords limits the words that are tried for enabling, disabling and reading out: all three together are its cube.
const mostWords = 48

// withDisabling finds an experiment that splits hypotheses by disabling some of
// several chips that it had enabled. It is never safe: with one chip of each lane
// enabled, disabling shows nothing that reading out does not.
func (p *Planner) withDisabling(hyps []hypothesis) (Unsafe, bool) {
	if len(hyps) < 2 {
		return Unsafe{}, false
	}
	enable, readout := p.worthwhile(hyps)
	var l wordList
	for _, h := range hyps {
		for _, o := range h.odd {
			l.add(p.wires[o.chip])
		}
	}
	l.add(enable...)
	l.add(readout...)
	words := l.words[:min(len(l.words), mostWords)]
	t := p.table(hyps, words)
	shows := func(u, v, w, h int) uint64 {
		var levels uint64
		for lane := range t.lanes {
			at := h*t.lanes + lane
			if t.row(u)[at]&^t.row(v)[at]&t.row(w)[at] != 0 {
				levels |= uint64(Driven) << (2 * uint(lane))
			}
		}
		return levels&hyps[h].conv.keep | hyps[h].conv.set
	}
	for u := range words {
		for v := range words {
			for w := range words {
				first := shows(u, v, w, 0)
				for h := 1; h < len(hyps); h++ {
					if shows(u, v, w, h) == first {
						continue
					}
					out, unsafe := p.whyUnsafe(hyps, one(words[u], words[w]))
					out.Disable = p.a.LineNames(words[v])
					return out, unsafe
				}
			}
		}
	}
	return Unsafe{}, false
}

// split groups hypotheses by what an experiment shows.
func (p *Planner) split(hyps []hypothesis, e Experiment) [][]hypothesis {
	index := map[string]int{}
	var out [][]hypothesis
	for _, h := range hyps {
		key := fmt.Sprint(p.Observe(h.faults, e).Levels)
		i, known := index[key]
		if !known {
			i = len(out)
			index[key] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], h)
	}
	return out
}

// whyUnsafe names the first hypothesis under which an experiment is not safe.
func (p *Planner) whyUnsafe(hyps []hypothesis, e Experiment) (Unsafe, bool) {
	for _, h := range append([]hypothesis{p.hypothesis()}, hyps...) {
		if o := p.Observe(h.faults, e); o.Contending != nil {
			return Unsafe{
				Enable: p.a.LineNames(e.Enable), Readout: p.a.LineNames(e.Readouts[0]),
				Under: places(p.a, h.faults), Chips: p.a.ChipNames(o.Contending),
				Lane: p.a.Lanes[p.lane[o.Contending[0]]].Name,
			}, true
		}
	}
	return Unsafe{}, false
}

// contended lists the enabling writes that made chips drive together under one of
// the hypotheses.
func (p *Planner) contended(s *State, hyps []hypothesis) []string {
	var out []string
	for _, h := range hyps {
		for i, o := range s.seen {
			if i > 0 && s.seen[i-1].enable == o.enable {
				continue
			}
			if chips := p.Observe(h.faults, one(o.enable, o.readout)).Contending; chips != nil {
				says := fmt.Sprintf("%s under word {%s}", strings.Join(p.a.ChipNames(chips), " and "),
					strings.Join(p.a.LineNames(o.enable), " "))
				if len(hyps) > 1 {
					says += ", if " + places(p.a, h.faults)
				}
				out = append(out, says)
			}
		}
	}
	return out
}

// Message returns the result in the schema's form, without lanes.
func (r *Result) Message() *facetdv1.ProbeResult {
	m := &facetdv1.ProbeResult{Explained: r.Explained, Readouts: uint32(r.Readouts),
		Faults: messages(r.array, r.faults), Report: r.Report()}
	for _, alt := range r.alternatives {
		m.Alternatives = append(m.Alternatives, &facetdv1.FaultSet{Faults: messages(r.array, alt)})
	}
	for c, answer := range r.Answers {
		m.Chips = append(m.Chips, &facetdv1.ProbedChip{
			Chip: r.array.Chips[c].Name,
			Answer: [...]facetdv1.Answer{facetdv1.Answer_ANSWER_UNDECIDED, facetdv1.Answer_ANSWER_YES,
				facetdv1.Answer_ANSWER_NO}[answer],
		})
	}
	for _, u := range r.Unsafe {
		m.Unsafe = append(m.Unsafe, u.String())
	}
	return m
}

func messages(a *chipmodel.Array, faults []Fault) []*facetdv1.Fault {
	out := make([]*facetdv1.Fault, len(faults))
	for i, f := range faults {
		out[i] = f.Message(a)
	}
	return out
}

// String says what was not done, and why.
func (u Unsafe) String() string {
	disabling := ""
	if u.Disable != nil {
		disabling = fmt.Sprintf(", disabling under {%s}", strings.Join(u.Disable, " "))
	}
	return fmt.Sprintf("enabling under {%s}%s and reading out under {%s} would tell more, but if %s, chips %s "+
		"would drive lane %s together",
		strings.Join(u.Enable, " "), disabling, strings.Join(u.Readout, " "), u.Under, strings.Join(u.Chips, " and "),
		u.Lane)
}

// mostListed limits the alternatives that a report spells out.
const mostListed = 12

// Report is the result for a person, with the places to look at.
func (r *Result) Report() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Select lines of %s, %d readouts.\n", r.array.Name, r.Readouts)
	switch {
	case !r.Explained:
		b.WriteString("No set of up to two faults explains what was seen: there are more faults, the wiring is not " +
			"the one described, or levels were misread.\n")
	case len(r.faults) == 0:
		b.WriteString("No fault found.\n")
	default:
		for _, f := range r.faults {
			fmt.Fprintf(&b, "- %s.\n  To do: %s.\n", f.place(r.array), f.advice(r.array))
		}
		if !r.Thorough {
			b.WriteString("Further faults were not looked for.\n")
		}
	}
	if r.Unclear > 0 {
		fmt.Fprintf(&b, "%d readouts were neither clearly idle nor clearly driven; more light, less of it, or a "+
			"longer discharge of the lanes may help.\n", r.Unclear)
	}
	r.reportAlternatives(&b)
	if r.Larger > 0 {
		fmt.Fprintf(&b, "%d sets of two faults are not excluded either.\n", r.Larger)
	}
	r.reportChips(&b)
	for _, c := range r.Contended {
		fmt.Fprintf(&b, "During the probe, for one register write, these chips drove one lane together: %s.\n", c)
	}
	for _, u := range r.Unsafe {
		fmt.Fprintf(&b, "Not made: %s.\n", u)
	}
	return b.String()
}

func (r *Result) reportAlternatives(b *strings.Builder) {
	if len(r.alternatives) == 0 {
		return
	}
	if len(r.faults) == 0 {
		b.WriteString("No readout made excludes:\n")
	} else {
		b.WriteString("The same would be seen with:\n")
	}
	for i, alt := range r.alternatives {
		if i == mostListed {
			fmt.Fprintf(b, "- %d more.\n", len(r.alternatives)-i)
			break
		}
		fmt.Fprintf(b, "- %s.\n", places(r.array, alt))
	}
}

func (r *Result) reportChips(b *strings.Builder) {
	for _, kind := range []struct {
		answer Answer
		says   string
	}{{Silent, "Do not answer to their own word"}, {Undecided, "May or may not answer to their own word"}} {
		var chips []int
		for c, a := range r.Answers {
			if a == kind.answer {
				chips = append(chips, c)
			}
		}
		switch {
		case len(chips) > 0:
			fmt.Fprintf(b, "%s: %s.\n", kind.says, strings.Join(r.array.ChipNames(chips), ", "))
		case kind.answer == Silent && r.Explained && !slices.Contains(r.Answers, Undecided):
			b.WriteString("Every chip answers to its own word.\n")
		}
	}
}
