package diagnosis

import (
	"fmt"
	"strings"
)

// Explain says what was measured, and what follows from it.
func (p *Planner) Explain(s *State) Result {
	if s.node == nil {
		p.widen(s)
	}
	_, done := p.Next(s)
	hyps := p.left(s)
	r := Result{array: p.a, Readouts: s.Readouts(), Unclear: s.unclear, Explanations: len(hyps), Pairs: s.wide,
		Chips: p.samples(s, hyps)}
	switch {
	case s.unclear > mostUnclear:
		r.EndedEarly = "too many readouts were neither clearly idle nor clearly driven"
	case !done:
		r.EndedEarly = "no more readouts were allowed"
	}
	if len(hyps) == 0 {
		r.Verdict = Unexplained
		return r
	}
	sets := make([][]Fault, len(hyps))
	for i := range hyps {
		sets[i] = hyps[i].faults
	}
	var least [][]Fault
	least, r.Hidden = minimal(sets)
	r.Cases = casesOf(least)
	r.Certain = certain(sets)
	switch {
	case len(sets[0]) > 0:
		r.Verdict = Faulty
	case len(least) > 0:
		r.Verdict = NotExcluded
	default:
		r.Verdict = FaultFree
	}
	if r.Pairs && r.EndedEarly == "" {
		p.inferDrives(r.Chips, hyps)
	}
	if r.Verdict == NotExcluded {
		least = append([][]Fault{nil}, least...)
	}
	r.ByHand = p.byHand(least)
	r.Unsafe = p.unsafe(p.hypotheses(least[:min(len(least), mostUnsafeSets)]))
	r.Contended = p.contended(s, hyps)
	return r
}

func (p *Planner) hypotheses(sets [][]Fault) []hypothesis {
	out := make([]hypothesis, len(sets))
	for i, set := range sets {
		out[i] = p.hypothesis(set...)
	}
	return out
}

// inferDrives finds out whether a chip itself drives its lane under its own word: levels alone would not show that two
// chips have changed places.
func (p *Planner) inferDrives(chips []ChipSample, hyps []hypothesis) {
	reach, good := make([]uint64, len(p.a.Lanes)), make([]uint64, len(p.a.Lanes))
	yes := make([]int, len(chips))
	for c, word := range p.wires {
		p.wired(word, good)
		for i := range hyps {
			if p.reached(&hyps[i], word, good, reach); reach[p.lane[c]]&p.bit[c] != 0 {
				yes[c]++
			}
		}
	}
	for c := range chips {
		switch yes[c] {
		case len(hyps):
			chips[c].Drives = Yes
		case 0:
			chips[c].Drives = No
		default:
			chips[c].Drives = Undecided
		}
	}
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

// contended lists the enabling writes that made chips of one lane drive together, with under how many of the
// explanations they did.
func (p *Planner) contended(s *State, hyps []hypothesis) []string {
	var words wordList
	for _, o := range s.seen {
		words.add(o.enable)
	}
	var out []string
	good, reach := make([]uint64, len(p.a.Lanes)), make([]uint64, len(p.a.Lanes))
	for _, word := range words.words {
		p.wired(word, good)
		var order []string
		count := map[string]int{}
		for i := range hyps {
			if p.reached(&hyps[i], word, good, reach); !clash(reach) {
				continue
			}
			chips := p.a.ChipNames(p.Observe(hyps[i].faults, one(word, word)).Contending)
			says := strings.Join(chips, " and ")
			if count[says] == 0 {
				order = append(order, says)
			}
			count[says]++
		}
		for _, says := range order {
			under := "under word {" + strings.Join(p.a.LineNames(word), " ") + "}"
			if n := count[says]; n < len(hyps) {
				out = append(out, fmt.Sprintf("%s may have driven their lane together %s: so by %d of %d explanations",
					says,
					under, n, len(hyps)))
			} else {
				out = append(out, fmt.Sprintf("%s drove their lane together %s", says, under))
			}
		}
	}
	return out
}
