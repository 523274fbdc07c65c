package diagnosis

import (
	"encoding/binary"
	"slices"

	"facetd.example/chipmodel"
)

// Options of a planner.
type Options struct {
	// Thorough makes the probe go on, once one fault explains everything seen, until every second fault that a safe
	// experiment could show is excluded. It then makes all safe experiments that a fault-free array would be asked, so
	// that a third fault is not missed. Without it, two faults are considered only when no single one explains what was
	// seen.
	Thorough bool
	// Strict allows safe experiments only, however little they show.
	Strict bool
}

// Planner chooses experiments. It remembers what it chose while single faults were considered, so that probing again is
// quick: most arrays are fault-free, and ask the same every time. It is owned by one goroutine.
type Planner struct {
	*Model
	opts Options
	// singles are the hypotheses of no fault, first, and of every single fault.
	singles         []hypothesis
	enable, readout []chipmodel.LineSet
	own             []chipmodel.LineSet // words of single chips, each once
	root            *node
	spine           []Experiment // what a fault-free array is asked, in order
}

// node is a state of knowledge while single faults are considered.
type node struct {
	alive   []int32 // hypotheses that explain everything seen
	planned bool
	next    Experiment
	done    bool
	after   map[string]*node // by levels and mask of each readout
}

// New returns a planner. Errors are those of NewModel.
func New(a *chipmodel.Array, opts Options) (*Planner, error) {
	m, err := NewModel(a)
	if err != nil {
		return nil, err
	}
	p := &Planner{Model: m, opts: opts, enable: m.enableWords(), readout: m.readoutWords(), own: m.ownWords()}
	p.singles = append(p.singles, p.hypothesis())
	for _, f := range m.Faults() {
		p.singles = append(p.singles, p.hypothesis(f))
	}
	p.root = &node{alive: make([]int32, len(p.singles))}
	for i := range p.root.alive {
		p.root.alive[i] = int32(i)
	}
	return p, nil
}

// State is what has been seen and what still explains it. It belongs to its
// planner's goroutine.
type State struct {
	seen []seen
	// unclear counts the readouts in which some lane was neither clearly idle nor clearly driven.
	unclear int
	node    *node // knowledge of single faults; nil when none explains what was seen
	// doubles are the hypotheses of two faults that explain everything seen. They
	// count once wide is set.
	doubles []hypothesis
	wide    bool
	// exhausted says that no experiment but those under the chips' own words is left to be made.
	exhausted bool
	planned   bool
	next      Experiment
	done      bool
}

// Start returns the state in which nothing has been seen.
func (p *Planner) Start() *State { return &State{node: p.root} }

// Readouts is how many readouts have been made.
func (s *State) Readouts() int { return len(s.seen) }

// Remaining is how many sets of faults are considered and explain everything seen.
func (s *State) Remaining() int {
	n := len(s.doubles)
	if s.node != nil {
		n += len(s.node.alive)
	}
	return n
}

// mostUnclear limits the unclear readouts of a probe: each is tried again, as the light may change, but not for ever.
const mostUnclear = 8

// Next returns the safe experiment that splits the remaining hypotheses best; then, one after another, each chip's own
// word that has not been sampled yet; done when nothing of either kind is left or too many readouts were unclear. It is
// a function of what has been seen.
func (p *Planner) Next(s *State) (e Experiment, done bool) {
	if s.unclear > mostUnclear {
		return Experiment{}, true
	}
	if !s.planned {
		s.planned = true
		s.next, s.done = p.plan(s)
	}
	return s.next, s.done
}

// plan samples own words as soon as single faults are told apart: what they show then excludes most pairs at once.
func (p *Planner) plan(s *State) (Experiment, bool) {
	if !s.wide && s.node != nil {
		p.planNode(s.node)
		if !s.node.done {
			return s.node.next, false
		}
		if e, done := p.planOwn(s); !done || !p.opts.Thorough {
			return e, done
		}
	}
	p.widen(s)
	if !s.exhausted {
		if e, done := p.planWide(s); !done {
			return e, false
		}
		s.exhausted = true
	}
	return p.planOwn(s)
}

// planNode plans a state of single faults, once.
func (p *Planner) planNode(n *node) {
	if n.planned {
		return
	}
	n.planned, n.done = true, true
	if len(n.alive) < 2 {
		return
	}
	hyps := p.of(n)
	c := p.chooser(hyps)
	var found bool
	// While there are many, nearly any experiment splits them, and the quick search on a sample will do. At the end the
	// exact search is small, and a safe experiment must not be missed before a risk is run.
	if len(hyps) > chunkSize {
		n.next, found = c.cross(sample(hyps, sampleSize), p.enable, p.readout)
	}
	if !found {
		n.next, found = c.exact()
	}
	if !found && !p.opts.Strict {
		n.next, found = c.risky(p.enable, p.readout)
	}
	n.done = !found
}

func (p *Planner) of(n *node) []hypothesis {
	if n == nil {
		return nil
	}
	out := make([]hypothesis, len(n.alive))
	for i, h := range n.alive {
		out[i] = p.singles[h]
	}
	return out
}

// left are the hypotheses that are considered and explain everything seen, those of fewer faults first.
func (p *Planner) left(s *State) []hypothesis { return append(p.of(s.node), s.doubles...) }

// planWide plans a state in which pairs of faults are considered: first with the experiments that a fault-free array
// would see, then with others. A thorough probe then makes those that are left of the former: if something else is
// wrong, some of them show what nothing explains.
func (p *Planner) planWide(s *State) (Experiment, bool) {
	hyps := p.left(s)
	if len(hyps) == 0 {
		return Experiment{}, true
	}
	c := p.chooser(hyps)
	spine := slices.DeleteFunc(slices.Clone(p.goodSpine()), s.made)
	if e, ok := p.splitting(c, spine); ok {
		return e, false
	}
	if p.opts.Thorough {
		for _, e := range spine {
			if e.Risks = nil; c.allowed(e.Enable) {
				return e, false
			}
		}
	}
	return Experiment{}, true
}

// splitting finds an experiment that splits many hypotheses, one of the spine where it
// can.
func (p *Planner) splitting(c *chooser, spine []Experiment) (Experiment, bool) {
	if len(c.hyps) < 2 {
		return Experiment{}, false
	}
	some := sample(c.hyps, sampleSize)
	if e, ok := c.among(some, spine); ok {
		return e, true
	}
	if e, ok := c.cross(some, p.enable, p.readout); ok {
		return e, true
	}
	if e, ok := c.exact(); ok {
		return e, true
	}
	if p.opts.Strict {
		return Experiment{}, false
	}
	return c.risky(p.enable, p.readout)
}

// made reports whether every readout of an experiment has been made already.
func (s *State) made(e Experiment) bool {
	for _, readout := range e.Readouts {
		if !slices.ContainsFunc(s.seen, func(o seen) bool { return o.enable == e.Enable && o.readout == readout }) {
			return false
		}
	}
	return true
}

// goodSpine lists the experiments that a fault-free array would be asked: one path through the tree of nodes.
func (p *Planner) goodSpine() []Experiment {
	if p.spine == nil {
		p.spine = []Experiment{}
		n := p.root
		for p.planNode(n); !n.done; p.planNode(n) {
			p.spine = append(p.spine, n.next)
			n = p.follow(n, pack(n.next, p.Observe(nil, n.next).Levels))
		}
	}
	return p.spine
}

// follow returns the state after an observation of the planned experiment, nil when
// nothing explains it.
func (p *Planner) follow(n *node, o []seen) *node {
	var b []byte
	for i := range o {
		b = binary.AppendUvarint(binary.AppendUvarint(b, o[i].levels), o[i].mask)
	}
	key := string(b)
	next, known := n.after[key]
	if !known {
		next = p.without(n, o)
		if n.after == nil {
			n.after = map[string]*node{}
		}
		n.after[key] = next
	}
	return next
}

// without drops the single faults that do not explain an observation.
func (p *Planner) without(n *node, o []seen) *node {
	var alive []int32
	x := p.explainer(o)
	for _, h := range n.alive {
		if x.explains(&p.singles[h]) {
			alive = append(alive, h)
		}
	}
	if alive == nil {
		return nil
	}
	return &node{alive: alive}
}

// Update returns the state after an experiment, which need not be the planned one. o
// has what each readout showed.
func (p *Planner) Update(s *State, e Experiment, o []Observation) *State {
	readout := pack(e, o)
	next := &State{seen: append(slices.Clip(s.seen), readout...), node: s.node, wide: s.wide, unclear: s.unclear}
	for _, levels := range o {
		if slices.Contains(levels, Unclear) {
			next.unclear++
		}
	}
	if s.node != nil {
		if s.node.planned && !s.node.done && s.node.next.equal(&e) {
			next.node = p.follow(s.node, readout)
		} else {
			next.node = p.without(s.node, readout)
			if next.node != nil && len(next.node.alive) == len(s.node.alive) {
				next.node = s.node // nothing was learned of single faults: what was chosen stays
			}
		}
	}
	if s.wide {
		x := p.explainer(readout)
		for i := range s.doubles {
			if x.explains(&s.doubles[i]) {
				next.doubles = append(next.doubles, s.doubles[i])
			}
		}
		next.exhausted = s.exhausted && next.node == s.node && len(next.doubles) == len(s.doubles)
	}
	return next
}

// explainer checks hypotheses against observations. Those that a fault-free array does not explain come first, as they
// reject most hypotheses.
type explainer struct {
	m                 *Model
	seen              []seen
	enabled, selected []uint64
}

func (p *Planner) explainer(all []seen) *explainer {
	x := &explainer{m: p.Model, seen: all, enabled: make([]uint64, len(p.a.Lanes)),
		selected: make([]uint64, len(p.a.Lanes))}
	if len(all) > 1 {
		good := hypothesis{conv: converterOf(nil)}
		var strange, normal []seen
		for _, o := range all {
			if x.shows(&good, &o) {
				normal = append(normal, o)
			} else {
				strange = append(strange, o)
			}
		}
		x.seen = append(strange, normal...)
	}
	return x
}

func (x *explainer) shows(h *hypothesis, o *seen) bool { return (x.levels(h, o)^o.levels)&o.mask == 0 }

// levels are what a hypothesis predicts for an observation, two bits per lane.
func (x *explainer) levels(h *hypothesis, o *seen) uint64 {
	x.m.reach(h.faults, o.enable, x.enabled)
	x.m.reach(h.faults, o.readout, x.selected)
	return h.conv.levels(x.enabled, x.selected)
}

// explains reports whether a hypothesis shows everything that was seen.
func (x *explainer) explains(h *hypothesis) bool {
	for i := range x.seen {
		if !x.shows(h, &x.seen[i]) {
			return false
		}
	}
	return true
}

// Consistent lists every set of faults that is considered and explains everything
// seen, the smaller first.
func (p *Planner) Consistent(s *State) [][]Fault {
	var out [][]Fault
	for _, h := range p.left(s) {
		out = append(out, h.faults)
	}
	return out
}
