package program

import (
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// action is a register write or a strobe that is wanted of chips.
type action struct {
	register facetdv1.Register // a write; unset for a strobe
	value    uint16
	strobe   facetdv1.Strobe
	hold     time.Duration
}

func write(r facetdv1.Register, v uint16) action { return action{register: r, value: v} }

// emitter writes the operations of one program, segment by segment. It knows what
// every register holds, so that nothing is written twice.
type emitter struct {
	words *Words
	regs  Registers

	ops     []bus.Op
	spent   time.Duration // cost of ops
	word    chipmodel.LineSet
	command int
}

func newEmitter(w *Words, known Registers) *emitter {
	return &emitter{words: w, regs: slices.Clone(known)}
}

// mark is an emitter at one point of a segment, to come back to.
type mark struct {
	regs    Registers
	ops     int
	spent   time.Duration
	word    chipmodel.LineSet
	command int
}

func (e *emitter) mark() mark {
	return mark{slices.Clone(e.regs), len(e.ops), e.spent, e.word, e.command}
}

func (e *emitter) back(m mark) {
	e.regs, e.ops, e.spent, e.word, e.command = m.regs, e.ops[:m.ops], m.spent, m.word, m.command
}

// take ends the segment and returns its operations. The next segment selects
// anew: what ran in between is not known. The word stays active, which is safe
// because no chip's output is enabled between segments.
func (e *emitter) take() []bus.Op {
	ops := slices.Clip(e.ops)
	e.ops, e.spent, e.word, e.command = nil, 0, 0, 0
	return ops
}

func (e *emitter) emit(op bus.Op) {
	e.ops = append(e.ops, op)
	e.spent += bus.Cost(e.words.a, &op).Total()
}

func (e *emitter) selectWord(w chipmodel.LineSet) {
	if e.word == w && len(e.ops) > 0 {
		return
	}
	e.emit(bus.Op{Kind: bus.OpSelect, Word: w})
	e.word = w
}

// holds reports whether every chip is known to hold a value.
func (e *emitter) holds(chips []int, r facetdv1.Register, v uint16) bool {
	return !slices.ContainsFunc(chips, func(c int) bool { return e.regs[c][r] != int32(v) })
}

// apply performs actions in order on every chip of a target, under the fewest
// words. Chips keep their own memory and registers, so all actions are done under
// one word before the next is selected. It reports whether anything was written.
func (e *emitter) apply(target []int, actions []action) (bool, error) {
	steps, err := e.steps(target, actions)
	if err != nil || len(steps) == 0 {
		return false, err
	}
	due := e.due(steps, actions)
	numbers := make([]int, len(actions))
	targets := make([][]int, len(actions))
	for i := range actions {
		for s := range steps {
			if due[s][i] {
				targets[i] = append(targets[i], steps[s].reach...)
			}
		}
		if targets[i] != nil {
			slices.Sort(targets[i])
			targets[i] = slices.Compact(targets[i])
			e.command++
			numbers[i] = e.command
		}
	}
	wrote := false
	for s := range steps {
		for i := range actions {
			if due[s][i] {
				e.selectWord(steps[s].word)
				e.act(&actions[i], numbers[i], targets[i])
				wrote = wrote || actions[i].register != 0
			}
		}
	}
	return wrote, nil
}

func (e *emitter) act(a *action, number int, target []int) {
	op := bus.Op{Command: number, Target: target}
	if a.register != 0 {
		op.Kind, op.Register, op.Value = bus.OpWrite, a.register, a.value
	} else {
		op.Kind, op.Strobe, op.Hold = bus.OpStrobe, a.strobe, a.hold
	}
	e.emit(op)
}

// steps returns the words to act under, the active one first. Strobes need a
// partition of the whole target; writes go to the chips that need them, or to the
// whole target where that takes fewer words.
func (e *emitter) steps(target []int, actions []action) ([]step, error) {
	if slices.ContainsFunc(actions, func(a action) bool { return a.register == 0 }) {
		steps, err := e.words.cover(target, true)
		return e.activeFirst(steps), err
	}
	lacks := func(c int) bool {
		return slices.ContainsFunc(actions, func(a action) bool { return e.regs[c][a.register] != int32(a.value) })
	}
	var need []int
	for _, c := range target {
		if lacks(c) {
			need = append(need, c)
		}
	}
	if len(need) == 0 {
		return nil, nil
	}
	best, err := e.words.cover(target, false)
	if err != nil {
		return nil, err
	}
	if len(need) < len(target) {
		best = slices.DeleteFunc(best, func(s step) bool { return !slices.ContainsFunc(s.reach, lacks) })
		// The chips that lack a value alone may have no cover.
		if few, err := e.words.cover(need, false); err == nil && len(few) < len(best) {
			best = few
		}
	}
	return e.activeFirst(best), nil
}

func (e *emitter) activeFirst(steps []step) []step {
	i := slices.IndexFunc(steps, func(s step) bool { return s.word == e.word })
	if i <= 0 {
		return steps
	}
	return slices.Concat(steps[i:], steps[:i])
}

// due says which actions are needed under which word, and brings the known
// registers up to date. A write is needed where a chip that listens lacks the value.
func (e *emitter) due(steps []step, actions []action) [][]bool {
	due := make([][]bool, len(steps))
	for s := range steps {
		due[s] = make([]bool, len(actions))
		for i, a := range actions {
			if a.register == 0 {
				due[s][i] = true
				continue
			}
			due[s][i] = !e.holds(steps[s].reach, a.register, a.value)
			for _, c := range steps[s].reach {
				e.regs[c][a.register] = int32(a.value)
			}
		}
	}
	return due
}

// read reads chips, one a lane, under one word.
func (e *emitter) read(r *readout) {
	e.selectWord(r.word)
	chips := r.scan.Chips
	e.alone(chips, write(chipmodel.OutputEnable, 1))
	kind := bus.OpScan
	if e.words.a.Chips[chips[0]].Class.Kind.Counts() {
		e.alone(chips, action{strobe: chipmodel.Reset})
		kind = bus.OpClockOut
	}
	scan := r.scan
	e.emit(bus.Op{Kind: kind, Scan: &scan})
	e.alone(chips, write(chipmodel.OutputEnable, 0))
}

// alone sends one command to the chips that listen now.
func (e *emitter) alone(chips []int, a action) {
	e.command++
	e.act(&a, e.command, chips)
	if a.register != 0 {
		for _, c := range chips {
			e.regs[c][a.register] = int32(a.value)
		}
	}
}
