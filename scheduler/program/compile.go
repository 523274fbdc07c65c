package program

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/selectword"
)

// readout is one scan still to be written.
type readout struct {
	word chipmodel.LineSet
	scan bus.Scan
}

// unit is the smallest part of a job: the set-up of chips for a view, or one readout.
type unit struct {
	setup func(*emitter) error
	read  *readout
	// light is which frames of a pair begin with it.
	light int
}

const (
	firstLight = iota + 1
	secondLight
)

// block is a run of units that must stay in one segment.
type block []unit

// Program is a compiled job. It is read-only and may be shared.
type Program struct {
	// Segments are the operations of each segment, the same for every job; Costs are their bus times by phase.
	Segments [][]bus.Op
	Costs    []bus.Phases
	// Frames are the frames of a job, in the order of the indices in bus.Scan.
	Frames []FrameSpec

	a      *chipmodel.Array
	traces []trace // what happens when within each segment
}

// FrameSpec says what one frame of a job is of.
type FrameSpec struct {
	Chip   int
	View   int
	Window chipmodel.Window
	Second bool // of a pair
}

// Total is the bus time of a job that nothing interrupts.
func (p *Program) Total() time.Duration {
	var sum time.Duration
	for i := range p.Costs {
		sum += p.Costs[i].Total()
	}
	return sum
}

// Longest is the length of the longest segment.
func (p *Program) Longest() time.Duration {
	var most time.Duration
	for i := range p.Costs {
		most = max(most, p.Costs[i].Total())
	}
	return most
}

// Compiler makes programs of one task.
type Compiler struct {
	words  *Words
	task   *Task
	groups [][]int // read together
	start  Registers
	frames []FrameSpec
	// firstFrame is the number of the job's first frame that is the task's.
	firstFrame int
}

// NewCompiler prepares a task for compilation from registers known at the start
// of a job. The error is a *SelectError.
func NewCompiler(w *Words, t *Task, start Registers) (*Compiler, error) {
	a := w.a
	groups, unread := readGroups(a, w.listeners, t.Chips)
	if unread >= 0 {
		chip := &a.Chips[unread]
		return nil, &SelectError{fmt.Sprintf("chip %s cannot be read: every word that selects it selects %v, of which "+
			"several drive one lane", chip.Name, a.ChipNames(a.Reach(chip.Wires)))}
	}
	if err := beside(a, t); err != nil {
		return nil, err
	}
	c := &Compiler{words: w, task: t, groups: groups, start: start}
	for load := range t.Loads() {
		for v := range t.Views {
			for _, chip := range t.Chips {
				c.frames = append(c.frames, FrameSpec{Chip: chip, View: v, Window: t.Views[v].Window,
					Second: load > 0})
			}
		}
	}
	return c, nil
}

// Groups is how many readouts a view of the task takes: the chips of each are read in parallel.
func (c *Compiler) Groups() int { return len(c.groups) }

// Divisible reports whether a job can be cut into several segments.
func (c *Compiler) Divisible() bool {
	t := c.task
	if t.Pair > 0 { // nothing may come between the two loads of a pair
		return false
	}
	return len(c.groups) > 1 || len(t.Views) > 1 || t.Class.HasMemory() || t.Views[0].Window.Rows > 1
}

// SelectError says that no select words do what a task needs.
type SelectError struct{ message string }

func (e *SelectError) Error() string { return e.message }

// selectErrorOf says why a cover does not exist, with names in place of indices.
func selectErrorOf(a *chipmodel.Array, err error) *SelectError {
	var unreachable *selectword.UnreachableError
	var clash *selectword.ClashError
	switch {
	case errors.As(err, &unreachable):
		return &SelectError{fmt.Sprintf("chip %s cannot be reached without %s, which is not meant",
			a.Chips[unreachable.Chip].Name, strings.Join(a.ChipNames(unreachable.Blocking), ", "))}
	case errors.As(err, &clash):
		return &SelectError{fmt.Sprintf("no select words reach each of %s exactly once, as a strobe must",
			strings.Join(a.ChipNames(clash.Chips), ", "))}
	}
	return &SelectError{err.Error()}
}

// maxSegmentsOfJob limits how finely a job is cut.
const maxSegmentsOfJob = 4096

var errTooFine = errors.New("the job would be cut into too many segments")

// Compile makes the program with a task's groups in a number of batches, each loaded, shared and read before the next,
// and with segments of at most limit where they can be cut so short; 0 is one segment. A batch with pairs is never cut.
// Errors: *SelectError, *PairError, or one that says that the segments would be too many. What a unit costs depends on
// what is active and written before it, so a block is written first, and taken back where the segment has become too
// long.
func (c *Compiler) Compile(batches int, limit time.Duration) (*Program, error) {
	e := newEmitter(c.words, c.start, c.task.Slots...)
	p := &Program{Frames: c.frames, a: c.words.a}
	end := func() {
		if e.Len() > 0 {
			p.Segments = append(p.Segments, e.Take())
		}
	}
	blocks := c.blocks(batches)
	for len(blocks) > 0 {
		var m mark
		if limit > 0 {
			m = e.mark()
		}
		if err := e.put(blocks[0], c.task.Pair); err != nil {
			return nil, selectErrorOf(c.words.a, err)
		}
		if limit == 0 || e.Spent() <= limit {
			blocks = blocks[1:]
			continue
		}
		if !m.Empty() {
			e.back(m)
			end()
			continue
		}
		if first, rest, ok := c.split(blocks[0], limit-e.Spent()); ok {
			e.back(m)
			if err := e.put(first, c.task.Pair); err != nil {
				return nil, selectErrorOf(c.words.a, err)
			}
			blocks[0] = rest
		} else {
			blocks = blocks[1:]
		}
		end()
		if len(p.Segments) > maxSegmentsOfJob {
			return nil, errTooFine
		}
	}
	end()
	if e.needed > 0 {
		return nil, &PairError{Needed: e.needed, Asked: c.task.Pair}
	}
	for _, ops := range p.Segments {
		p.Costs = append(p.Costs, bus.CostOf(p.a, ops))
		p.traces = append(p.traces, traceOf(p.a, ops, c.task.Slots))
	}
	return p, nil
}

// put writes a block; pair is how far apart the two loads are that it has, if any.
func (e *emitter) put(b block, pair time.Duration) error {
	e.ordered = pair > 0
	for i := range b {
		u := &b[i]
		put := e.unit
		if u.light > 0 {
			put = func(u *unit) error { return e.light(u, pair) }
		}
		if err := put(u); err != nil {
			return err
		}
	}
	return nil
}

func (e *emitter) unit(u *unit) error {
	if u.read != nil {
		e.read(u.read)
		return nil
	}
	return u.setup(e)
}

// split cuts a readout that stands alone in its segment between rows, so that its first part is shorter by at least
// -over. It reports false where that is not possible. Between rows nothing is lost: a memory keeps its load, and pixels
// without one are sampled row by row in any case.
func (c *Compiler) split(b block, over time.Duration) (first, rest block, ok bool) {
	if len(b) != 1 || b[0].read == nil {
		return nil, nil, false
	}
	r := b[0].read
	w := r.scan.Window
	lasts := func(rows int) time.Duration {
		s := r.scan
		s.Window = w.Part(0, rows)
		op := bus.ReadOp(c.words.a, s)
		return bus.WorstCost(c.words.a, &op, c.task.Slots)
	}
	allowed := lasts(w.Rows) + over
	n := w.Rows - 1
	for n > 0 && lasts(n) > allowed {
		n--
	}
	if n == 0 {
		return nil, nil, false
	}
	part := func(from, rows int) block {
		p := *r
		p.scan.Window = w.Part(from, rows)
		p.scan.FirstRow += from
		return block{{read: &p}}
	}
	return part(0, n), part(n, w.Rows-n), true
}

// blocks lists what a job does, in order.
func (c *Compiler) blocks(batches int) []block {
	if batches <= 1 && c.task.Pair == 0 {
		var out []block
		for _, u := range c.units(c.groups) {
			out = append(out, block{u})
		}
		return out
	}
	var out []block
	batches = max(batches, 1)
	for i := range batches {
		from, to := i*len(c.groups)/batches, (i+1)*len(c.groups)/batches
		out = append(out, c.units(c.groups[from:to]))
	}
	return out
}

// units lists what is done to groups of chips: a load, then for each view its set-up for all chips and the readouts;
// for pairs all of it twice.
func (c *Compiler) units(groups [][]int) []unit {
	if c.task.Pair == 0 {
		out, _ := c.unitsOf(groups, 0)
		return out
	}
	var out []unit
	for load := range c.task.Loads() {
		half, light := c.unitsOf(groups, load)
		half[light].light = firstLight + load
		out = append(out, half...)
	}
	return out
}

// unitsOf lists what is done for one load, and which of it begins with the light.
func (c *Compiler) unitsOf(groups [][]int, load int) (out []unit, light int) {
	chips := touches(c.words.a, slices.Concat(groups...))
	if c.task.Class.HasMemory() {
		out = c.loading(chips)
		light = len(out) - 1
	}
	var shares []bus.Patterns
	for v := range c.task.Views {
		if setup := c.setup(chips, v); setup != nil {
			out = append(out, unit{setup: setup})
		}
		shares = append(shares, c.task.Views[v].Shares...)
		claim := c.claim(v, slices.Clone(shares))
		for _, g := range groups {
			out = append(out, unit{read: c.readout(g, v, load, claim)})
		}
	}
	if !c.task.Class.HasMemory() {
		light = slices.IndexFunc(out, func(u unit) bool { return u.read != nil })
	}
	return out, light
}

// loading loads chips under the bias of their pixels: the load takes what those show then. Where there are pairs the
// bias is written before, so that nothing but words lies between the loads of several.
func (c *Compiler) loading(chips []int) []unit {
	first := &c.task.Views[0]
	bias := first.trimActions(c.task.Slots, isPixelBias)
	var load []bus.Action
	if first.Exposure > 0 {
		load = append(load, bus.Expose(first.Exposure, first.ExposureSlot))
	}
	load = append(load, bus.Strobe(chipmodel.Load))
	do := func(actions []bus.Action) func(*emitter) error {
		return func(e *emitter) error {
			_, err := e.apply(chips, actions)
			return err
		}
	}
	if c.task.Pair == 0 {
		return []unit{{setup: do(append(bias, load...))}}
	}
	if len(bias) == 0 {
		return []unit{{setup: do(load)}}
	}
	return []unit{{setup: do(bias)}, {setup: do(load)}}
}

// setup prepares chips for a view; nil where there is nothing to do.
func (c *Compiler) setup(chips []int, view int) func(*emitter) error {
	v := &c.task.Views[view]
	var actions []bus.Action
	for _, s := range v.Shares {
		actions = append(actions,
			bus.Write(chipmodel.ColumnPattern, uint16(s.Columns)),
			bus.Write(chipmodel.RowPattern, uint16(s.Rows)),
			bus.Share(c.words.a.ShareHold(c.task.Class, s.Columns, s.Rows)))
	}
	actions = append(actions, v.trimActions(c.task.Slots, func(r facetdv1.Register) bool {
		return !c.task.Class.HasMemory() || !isPixelBias(r)
	})...)
	var settle time.Duration
	if c.task.Class.HasSwitches() {
		actions = append(actions,
			bus.Write(chipmodel.ColumnPattern, uint16(v.Patterns.Columns)),
			bus.Write(chipmodel.RowPattern, uint16(v.Patterns.Rows)))
		settle = c.words.a.PatternSettle(c.task.Class)
	}
	if len(actions) == 0 {
		return nil
	}
	return func(e *emitter) error {
		wrote, err := e.apply(chips, actions)
		if wrote {
			e.Wait(settle)
		}
		return err
	}
}

func isPixelBias(r facetdv1.Register) bool { return r == chipmodel.PixelBias }

// claim is what the frames of a view will say about the settings of their chips.
func (c *Compiler) claim(view int, shares []bus.Patterns) bus.Claim {
	v := &c.task.Views[view]
	claim := bus.Claim{Registers: slices.Clone(v.Trim), Slots: v.TrimSlots}
	switch {
	case c.task.Class.HasMemory():
		claim.Shares = shares
		claim.Exposure, claim.ExposureSlot = v.Exposure, v.ExposureSlot
	case c.task.Class.HasSwitches():
		claim.Registers = append(claim.Registers,
			bus.RegisterValue{Register: chipmodel.ColumnPattern, Value: uint16(v.Patterns.Columns)},
			bus.RegisterValue{Register: chipmodel.RowPattern, Value: uint16(v.Patterns.Rows)})
	}
	return claim
}

func (c *Compiler) readout(group []int, view, load int, claim bus.Claim) *readout {
	frames := make([]int, len(group))
	for i, chip := range group {
		at, _ := slices.BinarySearch(c.task.Chips, chip)
		frames[i] = c.firstFrame + (load*len(c.task.Views)+view)*len(c.task.Chips) + at
	}
	word := union(c.words.a, group)
	return &readout{word: word, scan: bus.Scan{
		Chips: group, Beside: besides(c.words.a.Reach(word), group), Window: c.task.Views[view].Window, Frames: frames,
		Claim:   claim,
		Settle:  c.task.Views[view].settle(c.words.a, group),
		RowSlot: c.task.Views[view].RowSlot, ColumnSlot: c.task.Views[view].ColumnSlot,
	}}
}
