package program

import (
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// emitter writes the operations of one program, segment by segment. It knows what every register holds, so that no
// value is written again.
//
// Between segments the word stays active, which is safe because no chip's output is enabled then.
type emitter struct {
	*bus.Builder
	words *Words
	regs  Registers

	// Of a pair: whether the light of the unit at hand has begun, and where in the segment; where that of the first
	// frames did; how far apart the two are at least, where that is too much; and that words come in one order.
	lit          bool
	litAt, first time.Duration
	needed       time.Duration
	ordered      bool
}

func newEmitter(w *Words, known Registers, slots ...bus.Slot) *emitter {
	return &emitter{Builder: bus.NewBuilder(w.a, slots...), words: w, regs: slices.Clone(known)}
}

// mark is an emitter at one point of a segment, to come back to.
type mark struct {
	bus.BuilderMark
	regs Registers
}

func (e *emitter) mark() mark { return mark{e.Mark(), slices.Clone(e.regs)} }

func (e *emitter) back(m mark) {
	e.Back(m.BuilderMark)
	e.regs = m.regs
}

// content is what a register holds after a write: its value, or which slot gives it.
func content(a bus.Action) int32 {
	if a.Slot > 0 {
		return slotContent - int32(a.Slot)
	}
	return int32(a.Value)
}

// holds reports whether every chip is known to hold what a write would put there.
func (e *emitter) holds(chips []int, a bus.Action) bool {
	return !slices.ContainsFunc(chips, func(c int) bool { return e.regs[c][a.Register] != content(a) })
}

// apply performs actions in order on every chip of a target, under the fewest words. All actions are done under one
// word before the next is selected: that saves selects, and no chip can tell, as each has its own memory and registers.
// It reports whether anything was written.
func (e *emitter) apply(target []int, actions []bus.Action) (bool, error) {
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
			numbers[i] = e.Command()
		}
	}
	wrote := false
	for s := range steps {
		for i := range actions {
			if due[s][i] {
				e.Activate(steps[s].word)
				if actions[i].Strobe == chipmodel.Load || actions[i].Strobe == chipmodel.Expose {
					e.begins()
				}
				e.Part(numbers[i], actions[i], targets[i])
				wrote = wrote || actions[i].Writes()
			}
		}
	}
	return wrote, nil
}

// steps returns the words to act under, the active one first. Strobes need a partition of the whole target. Writes may
// reach a chip twice, and chips that hold the value already: they go to the chips that need them, or to the whole
// target where that takes fewer words.
func (e *emitter) steps(target []int, actions []bus.Action) ([]step, error) {
	if slices.ContainsFunc(actions, func(a bus.Action) bool { return !a.Writes() }) {
		steps, err := e.words.cover(target, true)
		return e.activeFirst(steps), err
	}
	lacks := func(c int) bool {
		return slices.ContainsFunc(actions, func(a bus.Action) bool { return e.regs[c][a.Register] != content(a) })
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
		// The chips that lack a value may have no cover of their own.
		if few, err := e.words.cover(need, false); err == nil && len(few) < len(best) {
			best = few
		}
	}
	return e.activeFirst(best), nil
}

// activeFirst moves the step of the active word to the front, which saves a select; but not where every chip is to have
// the same time between two strobes.
func (e *emitter) activeFirst(steps []step) []step {
	i := slices.IndexFunc(steps, func(s step) bool { return s.word == e.Word() })
	if i <= 0 || e.ordered {
		return steps
	}
	return slices.Concat(steps[i:], steps[:i])
}

// due says which actions are needed under which word, and brings the known registers up to date. A write is needed
// where a chip that listens lacks the value.
func (e *emitter) due(steps []step, actions []bus.Action) [][]bool {
	due := make([][]bool, len(steps))
	for s := range steps {
		due[s] = make([]bool, len(actions))
		for i, a := range actions {
			if !a.Writes() {
				due[s][i] = true
				continue
			}
			due[s][i] = !e.holds(steps[s].reach, a)
			for _, c := range steps[s].reach {
				e.regs[c][a.Register] = content(a)
			}
		}
	}
	return due
}

// read reads chips, one per lane, under one word. Outputs are enabled for the readout only, so that any word may be
// active at all other times.
func (e *emitter) read(r *readout) {
	e.Activate(r.word)
	chips := e.words.a.Reach(r.word)
	e.alone(chips, bus.Write(chipmodel.OutputEnable, 1))
	if e.words.a.Chips[r.scan.Chips[0]].Class.Counts() {
		e.alone(chips, bus.Strobe(chipmodel.Reset))
	}
	e.begins()
	e.Read(r.scan)
	e.alone(chips, bus.Write(chipmodel.OutputEnable, 0))
}

// alone sends one command to the chips that listen now.
func (e *emitter) alone(chips []int, a bus.Action) {
	e.Do(a, chips)
	if a.Writes() {
		for _, c := range chips {
			e.regs[c][a.Register] = content(a)
		}
	}
}
