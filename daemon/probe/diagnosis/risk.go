package diagnosis

import (
	"cmp"
	"slices"

	"facetd.example/chipmodel"
)

// mostReadouts limits the readouts of one risky experiment.
const mostReadouts = 8

// risky finds an experiment for hypotheses that no safe one splits. It is safe on a fault-free array and under every
// hypothesis of the fewest faults: a risk is run only for faults that nothing seen requires. Of those it is the one
// unsafe under the fewest hypotheses. Under these, two chips drive one lane from the enabling write until the word
// changes; no readout leaves them in contention, and as many of these hypotheses as can be are told from the rest in
// the same experiment, so that the risk is run once.
//
// Some risk cannot be avoided. Let two chips of a lane differ in one input each,
// wired to l and m. If the first's input were shorted to m, enabling the second would
// enable both; if the second's were shorted to l, enabling the first would. One of
// the two has to be enabled first.
func (c *chooser) risky(enable, readout []chipmodel.LineSet) (Experiment, bool) {
	size := func(h hypothesis) int { return len(h.faults) }
	if fewest := size(c.hyps[0]); !slices.ContainsFunc(c.hyps, func(h hypothesis) bool { return size(h) != fewest }) {
		return Experiment{}, false // all are simplest
	}
	type scored struct {
		word        chipmodel.LineSet
		risk, chips int
	}
	var words []scored
	for _, w := range enable {
		if c.allowed(w) || !c.simplestSafe(w) {
			continue
		}
		if risk := c.risk(w); risk > 0 && risk != never {
			words = append(words, scored{w, risk, len(c.m.a.Reach(w))})
		}
	}
	// Two chips at once would put more lines into the word, and so more inputs that
	// may be shorted to one of them.
	slices.SortStableFunc(words, func(x, y scored) int {
		return cmp.Or(cmp.Compare(x.chips, y.chips), cmp.Compare(x.risk, y.risk))
	})
	if len(words) == 0 {
		return Experiment{}, false
	}
	for _, w := range words {
		if e, ok := c.riskyReadouts(w.word, readout); ok {
			return e, true
		}
	}
	return Experiment{}, false
}

// simplestSafe reports whether enabling under a word is safe under all hypotheses of
// the fewest faults.
func (c *chooser) simplestSafe(word chipmodel.LineSet) bool {
	fewest := len(c.hyps[0].faults) // the smaller come first
	buf, good := make([]uint64, len(c.m.a.Lanes)), make([]uint64, len(c.m.a.Lanes))
	c.m.wired(word, good)
	for i := range c.hyps {
		h := &c.hyps[i]
		if len(h.faults) > fewest {
			continue
		}
		if c.m.reached(h, word, good, buf); clash(buf) {
			return false
		}
	}
	return true
}

// riskyReadouts chooses the readouts of a risky experiment: one after another, the one that tells the most risky
// hypotheses from the first one that is not risky.
func (c *chooser) riskyReadouts(word chipmodel.LineSet, readout []chipmodel.LineSet) (Experiment, bool) {
	e := Experiment{Enable: word}
	// The first is calm, then come the risky ones, then some of all to score with.
	calm, hyps := c.divide(word)
	if calm < 0 {
		return e, false
	}
	risky := make([]int, len(hyps))
	for i, h := range hyps {
		e.Risks = append(e.Risks, h.faults)
		risky[i] = i + 1
	}
	hyps = slices.Concat(c.hyps[calm:calm+1], hyps, sample(c.hyps, sampleSize))
	enabled, readouts := c.m.table(hyps, []chipmodel.LineSet{word}).row(0), c.m.table(hyps, readout)
	of := func(row []uint64, h int) []uint64 { return row[h*readouts.lanes : (h+1)*readouts.lanes] }
	r := newScorer(hyps, readouts.lanes)
	usable := make([]int, 0, len(readout))
	for w := range readout {
		row := readouts.row(w)
		lasting := false
		for _, h := range risky {
			lasting = lasting || clashBoth(of(enabled, h), of(row, h))
		}
		if !lasting {
			usable = append(usable, w)
		}
	}
	shows := func(w, h int) uint64 { return hyps[h].conv.levels(of(enabled, h), of(readouts.row(w), h)) }
	// Every risky hypothesis that shows like the calm one in all readouts would have to be risked again.
	for len(risky) > 0 && len(e.Readouts) < mostReadouts {
		best, most, least := -1, 0, r.none()
		for _, w := range usable {
			told, expected := 0, shows(w, 0)
			for _, h := range risky {
				if shows(w, h) != expected {
					told++
				}
			}
			if told > 0 && told >= most {
				if left := r.left(enabled, readouts.row(w)); told > most || left < least-1e-9 {
					best, most, least = w, told, left
				}
			}
		}
		if best < 0 {
			break
		}
		e.Readouts = append(e.Readouts, readout[best])
		expected := shows(best, 0)
		risky = slices.DeleteFunc(risky, func(h int) bool { return shows(best, h) != expected })
	}
	// What else the enabled chips can show comes with the risk that is taken anyway.
	best, least := -1, r.none()-1e-9
	for _, w := range usable {
		if left := r.left(enabled, readouts.row(w)); left < least-1e-9 {
			best, least = w, left
		}
	}
	if best >= 0 && !slices.Contains(e.Readouts, readout[best]) && len(e.Readouts) < mostReadouts {
		e.Readouts = append(e.Readouts, readout[best])
	}
	return e, len(e.Readouts) > 0
}

// divide returns the first hypothesis under which a word makes no two chips drive one lane,
// -1 where there is none, and those under which it does.
func (c *chooser) divide(word chipmodel.LineSet) (calm int, risky []hypothesis) {
	calm = -1
	all := c.m.table(c.hyps, []chipmodel.LineSet{word})
	for h := range c.hyps {
		if clash(all.rows[h*all.lanes : (h+1)*all.lanes]) {
			risky = append(risky, c.hyps[h])
		} else if calm < 0 {
			calm = h
		}
	}
	return calm, risky
}
