package diagnosis

import (
	"fmt"
	"slices"
	"strings"

	"facetd.example/chipmodel"
)

// Whether a chip answers to its own select word is measured, never inferred: its output is enabled under that word and
// its lane read out under the same. It is what every frame of the chip does, so it is made as long as it is safe with
// the fewest faults that explain what was seen; larger sets under which it would not be are its announced risks.

// ownWords lists the words of single chips, each once, in the order of the chips.
func (m *Model) ownWords() []chipmodel.LineSet {
	var l wordList
	l.add(m.wires...)
	return l.words
}

// planOwn chooses the first chip's own word that has not been sampled and may be.
func (p *Planner) planOwn(s *State) (e Experiment, done bool) {
	hyps := p.left(s)
	for _, word := range p.own {
		if s.sampled(word) {
			continue
		}
		if risks, blocked := p.ownRisks(s, hyps, word); blocked == "" {
			e = one(word, word)
			e.Risks = risks
			return e, false
		}
	}
	return Experiment{}, true
}

// sampled reports whether a word was read out with the outputs enabled under it.
func (s *State) sampled(word chipmodel.LineSet) bool {
	return slices.ContainsFunc(s.seen, func(o seen) bool { return o.enable == word && o.readout == word })
}

// ownRisks are the sets of faults under which sampling a chip's own word makes chips of one lane drive together.
// blocked says why it must not be done; it is empty where it may.
func (p *Planner) ownRisks(s *State, hyps []hypothesis, word chipmodel.LineSet) (risks [][]Fault, blocked string) {
	reach := make([]uint64, len(p.a.Lanes))
	if p.wired(word, reach); clash(reach) {
		return nil, p.together(hypothesis{}, word)
	}
	if len(hyps) == 0 {
		return nil, p.strangers(s, reach)
	}
	good := slices.Clone(reach)
	for i := range hyps {
		h := &hyps[i]
		if p.reached(h, word, good, reach); !clash(reach) {
			continue
		}
		if p.opts.Strict || len(h.faults) == len(hyps[0].faults) {
			return nil, p.together(*h, word)
		}
		risks = append(risks, h.faults)
	}
	return risks, ""
}

// together says which chips would drive one lane under a word with the faults of a hypothesis.
func (p *Planner) together(h hypothesis, word chipmodel.LineSet) string {
	chips := p.Observe(h.faults, one(word, word)).Contending
	says := fmt.Sprintf("chips %s would drive lane %s together", strings.Join(p.a.ChipNames(chips), " and "),
		p.a.Lanes[p.lane[chips[0]]].Name)
	if len(h.faults) > 0 {
		says += " if " + places(p.a, h.faults)
	}
	return says
}

// strangers names a lane that was driven when by the description no chip on it could. With nothing that explains
// it, a chip enabled on that lane may meet another that listens where it should not.
func (p *Planner) strangers(s *State, reach []uint64) string {
	good := hypothesis{conv: converterOf(nil)}
	x := p.explainer(nil)
	for i := range s.seen {
		o := &s.seen[i]
		strange := o.levels &^ x.levels(&good, o) & o.mask
		for lane, chips := range reach {
			if chips != 0 && Level(strange>>(2*uint(lane))&3) == Driven {
				return fmt.Sprintf("lane %s was driven while by the description no chip on it was, and nothing "+
					"explains it",
					p.a.Lanes[lane].Name)
			}
		}
	}
	return ""
}

// ChipSample is whether a chip answers to its own select word: what its lane showed when outputs were enabled and read
// out under it.
type ChipSample struct {
	// Measured is false where the word was not sampled; Why says why not.
	Measured bool
	Why      string
	// Level of the chip's lane. Driven is an answer, though levels do not show whether it is this chip's.
	Level Level
	// Drives is inferred: whether it is this chip that drives.
	Drives Drives
}

// samples gathers what was measured of each chip.
func (p *Planner) samples(s *State, hyps []hypothesis) []ChipSample {
	out := make([]ChipSample, len(p.wires))
	for c, word := range p.wires {
		shift := 2 * uint(p.lane[c])
		for _, o := range s.seen {
			if o.enable != word || o.readout != word || out[c].Measured && out[c].Level != Unclear {
				continue
			}
			out[c].Measured, out[c].Level = true, Unclear
			if o.mask>>shift&3 != 0 {
				out[c].Level = Level(o.levels >> shift & 3)
			}
		}
		if out[c].Measured {
			continue
		}
		if _, out[c].Why = p.ownRisks(s, hyps, word); out[c].Why == "" {
			out[c].Why = "the probe ended before"
		}
	}
	return out
}
