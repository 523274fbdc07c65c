package probe

import (
	"math"
	"slices"

	"facetd.example/chipmodel"
)

// hypothesis is a set of faults that may be there, in order.
type hypothesis struct {
	faults []Fault
	conv   converter
}

func newHypothesis(faults ...Fault) hypothesis {
	return hypothesis{faults: faults, conv: converterOf(faults)}
}

const (
	// sampleSize bounds the hypotheses that experiments are rated with; whether an
	// experiment is safe is asked of all.
	sampleSize = 96
	// chunkSize bounds those that all words are tried with at once.
	chunkSize = 64
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
	for w, word := range words {
		row := t.row(w)
		for h := range hyps {
			m.reach(hyps[h].faults, word, row[h*t.lanes:(h+1)*t.lanes])
		}
	}
	return t
}

func (t *table) row(word int) []uint64 { return t.rows[word*t.width : (word+1)*t.width] }

// rater rates how an experiment splits hypotheses.
type rater struct {
	hyps   []hypothesis
	lanes  int
	counts [256]uint16
	used   []uint8
	cost   []float64 // n log n
}

func newRater(hyps []hypothesis, lanes int) *rater {
	r := &rater{hyps: hyps, lanes: lanes, cost: make([]float64, len(hyps)+1)}
	for n := 2; n <= len(hyps); n++ {
		r.cost[n] = float64(n) * math.Log(float64(n))
	}
	return r
}

// left is the expected information, times the number of hypotheses, that is missing
// after an experiment; smaller is better. It is at most r.none(). Outcomes of more
// than one look or four lanes may fall together, which only makes the rating modest.
func (r *rater) left(enabled []uint64, looks ...[]uint64) float64 {
	r.used = r.used[:0]
	for h := range r.hyps {
		var outcome uint64
		c := &r.hyps[h].conv
		for _, selected := range looks {
			var out uint64
			for lane := range r.lanes {
				if at := h*r.lanes + lane; enabled[at]&selected[at] != 0 {
					out |= 1 << (2 * uint(lane))
				}
			}
			outcome = outcome*0x9e3779b97f4a7c15 + (out&c.keep | c.set)
		}
		if r.lanes > 4 || len(looks) > 1 {
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

func (r *rater) none() float64 { return r.cost[len(r.hyps)] }

// sample takes hypotheses at equal distances.
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

// never is the risk of a word that enables two chips of a lane on a sound array.
const never = math.MaxInt

// chooser remembers how risky words are for one set of hypotheses.
type chooser struct {
	m    *Model
	hyps []hypothesis
	// anything allows experiments that are not safe.
	anything bool
	known    map[chipmodel.LineSet]int
}

func (m *Model) chooser(hyps []hypothesis) *chooser {
	return &chooser{m: m, hyps: hyps, known: map[chipmodel.LineSet]int{}}
}

// risk is the number of hypotheses under which enabling under a word leaves more
// than one chip of a lane enabled.
func (c *chooser) risk(word chipmodel.LineSet) int {
	risk, known := c.known[word]
	if known {
		return risk
	}
	buf := make([]uint64, len(c.m.a.Lanes))
	if c.m.reach(nil, word, buf); clash(buf) {
		risk = never
	} else {
		for h := range c.hyps {
			if c.m.reach(c.hyps[h].faults, word, buf); clash(buf) {
				risk++
			}
		}
	}
	c.known[word] = risk
	return risk
}

// allowed reports whether at most one chip of each lane is enabled under every
// hypothesis, and on a sound array.
func (c *chooser) allowed(word chipmodel.LineSet) bool { return c.anything || c.risk(word) == 0 }

// cross finds, among all pairs of words, the safe experiment that splits a sample of
// the hypotheses best; the first of equals.
func (c *chooser) cross(of []hypothesis, enable, look []chipmodel.LineSet) (best Experiment, found bool) {
	var allowed []chipmodel.LineSet
	for _, w := range enable {
		if c.allowed(w) {
			allowed = append(allowed, w)
		}
	}
	m := c.m
	us, ws := m.table(of, allowed), m.table(of, look)
	r := newRater(of, us.lanes)
	least := r.none() - 1e-9
	for u, enableWord := range allowed {
		row := us.row(u)
		if empty(row) {
			// Nobody is enabled: all that shows is the converters.
			if left := r.left(row, row); left < least {
				best, found, least = one(enableWord, enableWord), true, left
			}
			continue
		}
		for w, lookWord := range look {
			if left := r.left(row, ws.row(w)); left < least-1e-9 {
				best, found, least = one(enableWord, lookWord), true, left
			}
		}
	}
	return best, found
}

func one(enable, look chipmodel.LineSet) Experiment {
	return Experiment{Enable: enable, Looks: []chipmodel.LineSet{look}}
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
	r := newRater(of, len(c.m.a.Lanes))
	least := r.none() - 1e-9
	for _, e := range list {
		t := c.m.table(of, append([]chipmodel.LineSet{e.Enable}, e.Looks...))
		looks := make([][]uint64, len(e.Looks))
		for i := range looks {
			looks[i] = t.row(i + 1)
		}
		if left := r.left(t.row(0), looks...); left < least-1e-9 && c.allowed(e.Enable) {
			best, found, least = e, true, left
			best.Risks = nil
		}
	}
	return best, found
}

// wide tries all words. An experiment that splits the hypotheses separates the first
// from another one, so it is enough to try the first with some of the others at a
// time.
func (c *chooser) wide() (best Experiment, found bool) {
	if len(c.hyps) < 2 {
		return Experiment{}, false
	}
	for rest := c.hyps[1:]; len(rest) > 0; {
		n := min(len(rest), chunkSize-1)
		chunk := append([]hypothesis{c.hyps[0]}, rest[:n]...)
		rest = rest[n:]
		words := c.m.distinct(chunk, c.m.wideWords(chunk))
		enable := c.safest(words)
		look := make([]chipmodel.LineSet, len(words))
		for i, alike := range words {
			look[i] = alike[0]
		}
		if e, ok := c.cross(chunk, enable, look); ok {
			return e, true
		}
	}
	return Experiment{}, false
}

// safest takes a safe word of each list of words that act alike, where there is one.
func (c *chooser) safest(words [][]chipmodel.LineSet) []chipmodel.LineSet {
	var out []chipmodel.LineSet
	for _, alike := range words {
		if i := slices.IndexFunc(alike, c.allowed); i >= 0 {
			out = append(out, alike[i])
		}
	}
	return out
}

// distinct groups words that reach the same chips under every hypothesis, in order
// of first mention.
func (m *Model) distinct(hyps []hypothesis, words []chipmodel.LineSet) [][]chipmodel.LineSet {
	t := m.table(hyps, words)
	index := map[string]int{}
	var out [][]chipmodel.LineSet
	key := make([]byte, 0, t.width*8)
	for w := range words {
		key = key[:0]
		for _, r := range t.row(w) {
			for ; r >= 0x80; r >>= 7 {
				key = append(key, byte(r)|0x80)
			}
			key = append(key, byte(r))
		}
		i, known := index[string(key)]
		if !known {
			i = len(out)
			index[string(key)] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], words[w])
	}
	return out
}
