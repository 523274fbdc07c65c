package diagnosis

import (
	"math/bits"
	"slices"

	"facetd.example/chipmodel"
)

// A chip listens when each of its inputs is active, and an input when one of the lines that it is connected to is. As a
// function of the host's word that is a conjunction of clauses, each a set of lines of which one is needed. Such a
// function is monotone, so it has one shortest form: without the clauses that contain another one.
//
// From this it follows which words are worth trying. Say that enabling under u and reading out under w shows a chip A
// under one hypothesis and no chip under another.
//
//   - Of u only the lines of one smallest word that makes A listen are needed. With
//     fewer lines no hypothesis enables more chips, so what was safe stays safe, and
//     what was not seen stays unseen.
//   - To w all lines may be added but those of one clause of the chip that the other
//     hypothesis enables; A still listens, and that chip still does not. Where it
//     enables none, all lines may be active.
//
// So if any experiment splits hypotheses, one of these words does: smallest words of a chip for enabling; and for
// reading out all lines, or all but one clause. The same argument shows that several enabling or disabling writes
// before a readout tell no more, as long as every one of them is safe.

// clauses returns a chip's shortest form under faults, ascending; never says that it
// does not listen under any word. No clauses means that it always listens.
func (m *Model) clauses(faults []Fault, chip int) (out []chipmodel.LineSet, never bool) {
	for i, own := range m.a.Chips[chip].Selects {
		connected := chipmodel.LineSet(1) << uint(own)
		open, pull := false, false
		for _, f := range faults {
			if !f.atInput() || f.Chip != chip || f.Input != i {
				continue
			}
			if f.Kind == Shorted {
				connected |= 1 << uint(f.Other)
			} else {
				open, pull = true, f.Kind == OpenActive
			}
		}
		if open {
			connected &^= 1 << uint(own)
			if connected == 0 {
				if !pull {
					return nil, true
				}
				continue
			}
		}
		switch clause, always := hostLines(faults, connected); {
		case always:
		case clause == 0:
			return nil, true
		default:
			out = append(out, clause)
		}
	}
	return shortest(out), false
}

// hostLines returns which of the host's lines make one of some lines active; always
// says that one is active whatever the host does.
func hostLines(faults []Fault, lines chipmodel.LineSet) (clause chipmodel.LineSet, always bool) {
	for ; lines != 0; lines &= lines - 1 {
		line := bits.TrailingZeros64(uint64(lines))
		stuck := false
		for _, f := range faults {
			if f.Line == line && f.Kind == StuckActive {
				return 0, true
			}
			stuck = stuck || f.Line == line && f.Kind == StuckInactive
		}
		if stuck {
			continue
		}
		// Swaps act in order on the way from the host to the line, so the way back takes them in reverse.
		for _, f := range slices.Backward(faults) {
			switch {
			case f.Kind != Swapped:
			case f.Line == line:
				line = f.Other
			case f.Other == line:
				line = f.Line
			}
		}
		clause |= 1 << uint(line)
	}
	return clause, false
}

// shortest leaves out sets that contain another one, and sorts the rest.
func shortest(sets []chipmodel.LineSet) []chipmodel.LineSet {
	var out []chipmodel.LineSet
	for i, s := range sets {
		if !slices.ContainsFunc(sets, func(t chipmodel.LineSet) bool { return t != s && t.Within(s) }) &&
			!slices.Contains(sets[:i], s) {
			out = append(out, s)
		}
	}
	slices.Sort(out)
	return out
}

// smallest returns the smallest words that hold a line of each clause.
func smallest(clauses []chipmodel.LineSet) []chipmodel.LineSet {
	words := []chipmodel.LineSet{0}
	for _, clause := range clauses {
		var next []chipmodel.LineSet
		for _, w := range words {
			if w&clause != 0 {
				next = append(next, w)
				continue
			}
			for left := clause; left != 0; left &= left - 1 {
				next = append(next, w|left&-left)
			}
		}
		words = shortest(next)
	}
	return words
}

// worthwhile returns words for enabling and for reading out that are enough to split hypotheses, if they can be split
// at all.
func (m *Model) worthwhile(hyps []hypothesis) (enable, readout []chipmodel.LineSet) {
	var u, w wordList
	w.add(m.every)
	add := func(clauses []chipmodel.LineSet) {
		for _, c := range clauses {
			w.add(m.every &^ c)
		}
		u.add(smallest(clauses)...)
	}
	// A fault-free array comes first, by way of its lines: chips without a fault of their own have its clauses.
	for _, h := range append([]hypothesis{{lines: true}}, hyps...) {
		if h.lines {
			for chip := range m.wires {
				if clauses, never := m.clauses(h.faults, chip); !never {
					add(clauses)
				}
			}
			continue
		}
		for _, o := range h.odd {
			if !o.never {
				add(o.clauses)
			}
		}
	}
	return u.words, w.words
}

// exact finds a safe experiment that splits the hypotheses, if there is one at all. An experiment that splits them
// separates the first from another one, so it is enough to try the first with some of the others at a time; that keeps
// the tables small. What it finds may split off a single hypothesis, so it is grown.
func (c *chooser) exact() (Experiment, bool) {
	if len(c.hyps) < 2 {
		return Experiment{}, false
	}
	for others := range slices.Chunk(c.hyps[1:], blockSize-1) {
		block := append([]hypothesis{c.hyps[0]}, others...)
		enable, readout := c.m.worthwhile(block)
		enable = slices.DeleteFunc(enable, func(w chipmodel.LineSet) bool { return !c.allowed(w) })
		us := c.m.table(block, enable)
		if empty(us.rows) && !slices.ContainsFunc(block, func(h hypothesis) bool { return h.conv != block[0].conv }) {
			continue
		}
		ws := c.m.table(block, readout)
		us.mask(ws)
		block, us, ws = unique(block, us, ws)
		if len(block) < 2 {
			continue
		}
		enable, us = firsts(enable, us)
		readout, ws = firsts(readout, ws)
		rest := make([]int, len(block)-1)
		for i := range rest {
			rest[i] = i + 1
		}
		for some := range slices.Chunk(rest, chunkSize-1) {
			some = append([]int{0}, some...)
			chunk := make([]hypothesis, len(some))
			for i, h := range some {
				chunk[i] = block[h]
			}
			if e, ok := score(chunk, enable, readout, us.columns(some), ws.columns(some)); ok {
				return c.grow(append(chunk, sample(c.hyps, sampleSize)...), e, enable, readout), true
			}
		}
	}
	return Experiment{}, false
}

// mostGrowth limits the steps of growing an experiment.
const mostGrowth = 8

// grow makes a safe experiment split more: it enables under more lines, as long as that is safe, and reads out under
// fewer. A word that is just enough to separate two hypotheses tells little about the rest.
func (c *chooser) grow(of []hypothesis, e Experiment, enable, readout []chipmodel.LineSet) Experiment {
	m := c.m
	r := newScorer(of, len(m.a.Lanes))
	u, w := e.Enable, e.Readouts[0]
	scored := func(u, w chipmodel.LineSet) float64 {
		t := m.table(of, []chipmodel.LineSet{u, w})
		return r.left(t.row(0), t.row(1))
	}
	least := scored(u, w)
	for range mostGrowth {
		bestU, bestW, before := u, w, least
		try := func(nu, nw chipmodel.LineSet) {
			if nu == u && nw == w {
				return
			}
			if left := scored(nu, nw); left < least-1e-9 && c.allowed(nu) {
				bestU, bestW, least = nu, nw, left
			}
		}
		for _, v := range enable {
			try(u|v, w)
		}
		for _, v := range readout {
			try(u, w&v)
		}
		if least >= before {
			break
		}
		u, w = bestU, bestW
	}
	return one(u, w)
}
