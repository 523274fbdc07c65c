package diagnosis

import (
	"encoding/binary"
	"math"
	"slices"

	"facetd.example/chipmodel"
)

// hypothesis is a set of faults that may be present, in the order of Fault.Compare.
type hypothesis struct {
	faults []Fault
	conv   converter
	// lines says that some select line is faulty, so that any chip may be concerned.
	lines bool
	// odd are the chips with a fault of their own.
	odd []oddChip
}

// oddChip is a chip that does not listen as it is wired.
type oddChip struct {
	chip int
	// never: it does not drive under any word.
	never bool
	// clauses is the condition under which it listens, in its shortest form: see exact.go.
	clauses []chipmodel.LineSet
}

func (m *Model) hypothesis(faults ...Fault) hypothesis {
	h := hypothesis{faults: faults, conv: converterOf(faults)}
	for _, f := range faults {
		switch f.Kind {
		case StuckActive, StuckInactive, Swapped:
			h.lines = true
		case OpenActive, OpenInactive, Shorted, Dead:
			if i := slices.IndexFunc(h.odd, func(o oddChip) bool { return o.chip == f.Chip }); i < 0 {
				clauses, never := m.clauses(faults, f.Chip)
				h.odd = append(h.odd, oddChip{f.Chip, never || f.Kind == Dead, clauses})
			} else if f.Kind == Dead {
				h.odd[i].never = true
			}
		}
	}
	return h
}

// reached sets, lane by lane, the chips that drive under a word when their output is
// enabled; good is what the word reaches on a fault-free array.
func (m *Model) reached(h *hypothesis, word chipmodel.LineSet, good, dst []uint64) {
	if h.lines {
		m.wired(net(h.faults, word), dst)
	} else {
		copy(dst, good)
	}
	for i := range h.odd {
		o := &h.odd[i]
		lane, bit := m.lane[o.chip], m.bit[o.chip]
		dst[lane] |= bit
		if o.never || !holds(o.clauses, word) {
			dst[lane] &^= bit
		}
	}
}

// holds reports whether a word holds a line of each clause.
func holds(clauses []chipmodel.LineSet, word chipmodel.LineSet) bool {
	for _, c := range clauses {
		if c&word == 0 {
			return false
		}
	}
	return true
}

// wired sets the chips that listen, by the wiring, while lines are active.
func (m *Model) wired(active chipmodel.LineSet, dst []uint64) {
	clear(dst)
	for c, wires := range m.wires {
		if wires&^active == 0 {
			dst[m.lane[c]] |= m.bit[c]
		}
	}
}

const (
	// sampleSize limits the hypotheses by which experiments are scored: a poor choice costs readouts and nothing else.
	// Whether an experiment is safe is asked of all of them.
	sampleSize = 96
	// blockSize and chunkSize limit those that are compared at a time when an experiment must not be missed.
	blockSize, chunkSize = 512, 64
)

// table holds reaches: of each word, for each hypothesis, lane by lane.
type table struct {
	lanes int
	width int // hypotheses times lanes
	rows  []uint64
}

func (m *Model) table(hyps []hypothesis, words []chipmodel.LineSet) *table {
	t := &table{lanes: len(m.a.Lanes)}
	t.width = len(hyps) * t.lanes
	t.rows = make([]uint64, len(words)*t.width)
	good := make([]uint64, t.lanes)
	for w, word := range words {
		row := t.row(w)
		m.wired(word, good)
		for h := range hyps {
			m.reached(&hyps[h], word, good, row[h*t.lanes:(h+1)*t.lanes])
		}
	}
	return t
}

func (t *table) row(word int) []uint64 { return t.rows[word*t.width : (word+1)*t.width] }

// scorer scores how an experiment splits hypotheses.
type scorer struct {
	hyps   []hypothesis
	lanes  int
	counts [256]uint16
	used   []uint8
	cost   []float64 // n log n
}

func newScorer(hyps []hypothesis, lanes int) *scorer {
	r := &scorer{hyps: hyps, lanes: lanes, cost: make([]float64, len(hyps)+1)}
	for n := 2; n <= len(hyps); n++ {
		r.cost[n] = float64(n) * math.Log(float64(n))
	}
	return r
}

// left is the expected information, times the number of hypotheses, that is still missing after an experiment; smaller
// is better. It is at most r.none(). Outcomes of more than one readout or four lanes are hashed to 8 bits, by the
// fractional part of the golden ratio. Two that fall together make the score too pessimistic, never too good.
func (r *scorer) left(enabled []uint64, readouts ...[]uint64) float64 {
	r.used = r.used[:0]
	for h := range r.hyps {
		var outcome uint64
		c := &r.hyps[h].conv
		for _, selected := range readouts {
			var out uint64
			for lane := range r.lanes {
				if at := h*r.lanes + lane; enabled[at]&selected[at] != 0 {
					out |= 1 << (2 * uint(lane))
				}
			}
			outcome = outcome*0x9e3779b97f4a7c15 + (out&c.keep | c.set)
		}
		if r.lanes > 4 || len(readouts) > 1 {
			outcome = outcome * 0x9e3779b97f4a7c15 >> 56
		}
		if r.counts[outcome] == 0 {
			r.used = append(r.used, uint8(outcome))
		}
		r.counts[outcome]++
	}
	sum := 0.0
	for _, o := range r.used {
		sum += r.cost[r.counts[o]]
		r.counts[o] = 0
	}
	return sum
}

func (r *scorer) none() float64 { return r.cost[len(r.hyps)] }

// sample takes hypotheses at equal distances, so that every kind of fault is among them.
func sample(hyps []hypothesis, n int) []hypothesis {
	if len(hyps) <= n {
		return hyps
	}
	out := make([]hypothesis, n)
	for i := range out {
		out[i] = hyps[i*(len(hyps)-1)/(n-1)]
	}
	return out
}

// never is the risk of a word that enables two chips of a lane on a fault-free array.
const never = math.MaxInt

// chooser remembers which words are safe for one set of hypotheses.
type chooser struct {
	m    *Model
	hyps []hypothesis
	// anything allows experiments that are not safe.
	anything bool
	known    map[chipmodel.LineSet]bool
}

func (m *Model) chooser(hyps []hypothesis) *chooser {
	return &chooser{m: m, hyps: hyps, known: map[chipmodel.LineSet]bool{}}
}

// risk is the number of hypotheses under which enabling under a word leaves more
// than one chip of a lane enabled.
func (c *chooser) risk(word chipmodel.LineSet) int {
	buf, good := make([]uint64, len(c.m.a.Lanes)), make([]uint64, len(c.m.a.Lanes))
	if c.m.wired(word, good); clash(good) {
		return never
	}
	risk := 0
	for h := range c.hyps {
		if c.m.reached(&c.hyps[h], word, good, buf); clash(buf) {
			risk++
		}
	}
	return risk
}

// allowed reports whether at most one chip of each lane is enabled under every
// hypothesis, and on a fault-free array.
func (c *chooser) allowed(word chipmodel.LineSet) bool {
	if c.anything {
		return true
	}
	ok, known := c.known[word]
	if !known {
		ok = c.m.safe(c.hyps, word)
		c.known[word] = ok
	}
	return ok
}

// safe reports whether enabling under a word leaves at most one chip of each lane
// enabled, under every hypothesis and on a fault-free array.
func (m *Model) safe(hyps []hypothesis, word chipmodel.LineSet) bool {
	buf, good := make([]uint64, len(m.a.Lanes)), make([]uint64, len(m.a.Lanes))
	if m.wired(word, good); clash(good) {
		return false
	}
	for h := range hyps {
		if m.reached(&hyps[h], word, good, buf); clash(buf) {
			return false
		}
	}
	return true
}

// cross finds, among all pairs of words, the safe experiment that splits a sample of the hypotheses best; the first of
// equals, so that a probe can be repeated. Words that act alike on the sample are tried once, and hypotheses that no
// word tells apart count once: otherwise they would outweigh the others though no experiment here can split them.
func (c *chooser) cross(of []hypothesis, enable, readout []chipmodel.LineSet) (best Experiment, found bool) {
	us, ws := c.m.table(of, enable), c.m.table(of, readout)
	enable, us = c.safest(enable, us)
	us.mask(ws)
	if of, us, ws = unique(of, us, ws); len(of) < 2 {
		return best, false
	}
	readout, ws = firsts(readout, ws)
	return score(of, enable, readout, us, ws)
}

// score scores every pair of rows. Sums that are equal may differ in their last digits, hence the margin: the first of
// equals must win on any machine.
func score(of []hypothesis, enable, readout []chipmodel.LineSet, us, ws *table) (best Experiment, found bool) {
	r := newScorer(of, us.lanes)
	least := r.none() - 1e-9
	for u, enableWord := range enable {
		row := us.row(u)
		if empty(row) {
			// No chip is enabled: only the converters show, and any readout will do.
			if left := r.left(row, row); left < least {
				best, found, least = one(enableWord, enableWord), true, left
			}
			continue
		}
		for w, readoutWord := range readout {
			if left := r.left(row, ws.row(w)); left < least-1e-9 {
				best, found, least = one(enableWord, readoutWord), true, left
			}
		}
	}
	return best, found
}

// unique drops hypotheses that reach the same chips as an earlier one under every
// word of both tables and have the same converters.
func unique(hyps []hypothesis, tables ...*table) ([]hypothesis, *table, *table) {
	seen := map[string]bool{}
	var kept []int
	var key []byte
	for h := range hyps {
		key = binary.AppendUvarint(binary.AppendUvarint(key[:0], hyps[h].conv.keep), hyps[h].conv.set)
		for _, t := range tables {
			for at := h * t.lanes; at < len(t.rows); at += t.width {
				for _, r := range t.rows[at : at+t.lanes] {
					key = binary.AppendUvarint(key, r)
				}
			}
		}
		if !seen[string(key)] {
			seen[string(key)] = true
			kept = append(kept, h)
		}
	}
	if len(kept) == len(hyps) {
		return hyps, tables[0], tables[1]
	}
	out := make([]hypothesis, len(kept))
	for i, h := range kept {
		out[i] = hyps[h]
	}
	return out, tables[0].columns(kept), tables[1].columns(kept)
}

// mask drops, from reaches of the same hypotheses under other words, the chips that are in none of the reaches of t:
// whether they listen cannot be seen.
func (t *table) mask(other *table) {
	ever := make([]uint64, t.width)
	for at, r := range t.rows {
		ever[at%t.width] |= r
	}
	for at := range other.rows {
		other.rows[at] &= ever[at%t.width]
	}
}

// columns is the table of some of its hypotheses.
func (t *table) columns(hyps []int) *table {
	out := &table{lanes: t.lanes, width: len(hyps) * t.lanes,
		rows: make([]uint64, 0, len(t.rows)/t.width*len(hyps)*t.lanes)}
	for at := 0; at < len(t.rows); at += t.width {
		for _, h := range hyps {
			out.rows = append(out.rows, t.rows[at+h*t.lanes:at+(h+1)*t.lanes]...)
		}
	}
	return out
}

// groups puts words with equal rows together, in the order of their first words.
func (t *table) groups(words int) [][]int {
	index := map[string]int{}
	var out [][]int
	var key []byte
	for w := range words {
		key = key[:0]
		for _, r := range t.row(w) {
			key = binary.AppendUvarint(key, r)
		}
		i, known := index[string(key)]
		if !known {
			i = len(out)
			index[string(key)] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], w)
	}
	return out
}

// take is the words and rows at some places.
func (t *table) take(words []chipmodel.LineSet, at []int) ([]chipmodel.LineSet, *table) {
	out := &table{lanes: t.lanes, width: t.width, rows: make([]uint64, 0, len(at)*t.width)}
	taken := make([]chipmodel.LineSet, len(at))
	for i, w := range at {
		taken[i] = words[w]
		out.rows = append(out.rows, t.row(w)...)
	}
	return taken, out
}

// firsts takes the first of each group of words that act alike.
func firsts(words []chipmodel.LineSet, t *table) ([]chipmodel.LineSet, *table) {
	var at []int
	for _, alike := range t.groups(len(words)) {
		at = append(at, alike[0])
	}
	return t.take(words, at)
}

// safest takes a safe word of each group of words that act alike, where there is one.
func (c *chooser) safest(words []chipmodel.LineSet, t *table) ([]chipmodel.LineSet, *table) {
	var at []int
	for _, alike := range t.groups(len(words)) {
		if i := slices.IndexFunc(alike, func(w int) bool { return c.allowed(words[w]) }); i >= 0 {
			at = append(at, alike[i])
		}
	}
	return t.take(words, at)
}

func one(enable, readout chipmodel.LineSet) Experiment {
	return Experiment{Enable: enable, Readouts: []chipmodel.LineSet{readout}}
}

func empty(row []uint64) bool {
	for _, r := range row {
		if r != 0 {
			return false
		}
	}
	return true
}

// among finds the best safe experiment of a list.
func (c *chooser) among(of []hypothesis, list []Experiment) (best Experiment, found bool) {
	r := newScorer(of, len(c.m.a.Lanes))
	least := r.none() - 1e-9
	for _, e := range list {
		t := c.m.table(of, append([]chipmodel.LineSet{e.Enable}, e.Readouts...))
		readouts := make([][]uint64, len(e.Readouts))
		for i := range readouts {
			readouts[i] = t.row(i + 1)
		}
		if left := r.left(t.row(0), readouts...); left < least-1e-9 && c.allowed(e.Enable) {
			best, found, least = e, true, left
			best.Risks = nil
		}
	}
	return best, found
}
