package scheduler

import (
	"cmp"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// OneShotPlan is the program of a one-shot capture or of a single command: one
// segment that runs while no job is open on its chips.
type OneShotPlan struct {
	Chips []int  // ascending
	Views []View // none for commands
	Ops   []bus.Op
	// Frames are in the order of the indices in bus.Scan; none for commands.
	Frames []FrameSpec
	// Words are the select words used, each once, in order of first use.
	Words []*facetdv1.SelectWord
	// Time is exactly how long it takes.
	Time time.Duration
}

// OneShot compiles a capture of a target. state is what the registers hold before
// it; every register with a known value holds that value again afterwards. Errors:
// chipmodel.Mistakes with paths from "target" and "views", *RefusalError when no
// select words do it.
func OneShot(a *chipmodel.Array, target *facetdv1.Target, views []*facetdv1.View, state Registers) (*OneShotPlan, error) {
	c := &checker{a: a}
	if a.WiringOnly {
		c.add("", "the array file describes wiring alone", "add classes, lanes and timing to capture frames")
		return nil, c.m
	}
	t := &Task{Name: "capture"}
	if t.Chips, t.Class = c.target("target", target); t.Class != nil {
		t.Views = c.views("views", views, t.Class)
	}
	if len(c.m) > 0 {
		return nil, c.m
	}
	w := newWords(a)
	comp, err := newCompiler(a, w, t, state)
	if err != nil {
		return nil, selectRefusal(err)
	}
	e := &emitter{a: a, words: w, regs: slices.Clone(state)}
	for _, chip := range t.Chips {
		if e.regs[chip][chipmodel.OutputEnable] != 0 && readable(a, []int{chip}) {
			e.selectWord(a.Chips[chip].Wires)
			e.alone([]int{chip}, write(chipmodel.OutputEnable, 0))
		}
	}
	for _, b := range comp.blocks(1) {
		if err := e.put(b); err != nil {
			return nil, selectRefusal(selectErrorOf(a, err))
		}
	}
	e.restore(t, state)
	return finish(e, t.Chips, t.Views, comp.frames), nil
}

func selectRefusal(err error) *RefusalError {
	return &RefusalError{&facetdv1.Refusal{Reason: facetdv1.RefusalReason_REFUSAL_REASON_SELECT, Message: err.Error()}}
}

// restore writes back the values that the registers of a task's chips had. Chips
// with the most inputs come first: a chip that listens whenever another does gets
// its own value after the other.
func (e *emitter) restore(t *Task, state Registers) {
	order := slices.Clone(t.Chips)
	slices.SortStableFunc(order, func(x, y int) int {
		return cmp.Compare(e.a.Chips[y].Wires.Len(), e.a.Chips[x].Wires.Len())
	})
	settle := false
	for reg := facetdv1.Register(1); int(reg) < chipmodel.NumRegisters; reg++ {
		if _, used := wishes(t)[reg]; !used {
			continue
		}
		if e.restoreAlike(t.Chips, reg, state) {
			settle = true
			continue
		}
		for _, c := range order {
			v := state[c][reg]
			if v < 0 || e.regs[c][reg] == v {
				continue
			}
			e.selectWord(e.a.Chips[c].Wires)
			e.alone(e.a.Reach(e.a.Chips[c].Wires), write(reg, uint16(v)))
			settle = true
		}
	}
	if settle && t.Class.Kind == chipmodel.InArraySwitch {
		d := t.Class.Spec.GetInArraySwitch().GetPatternSettle().AsDuration()
		e.emit(bus.Op{Kind: bus.OpWait, Hold: d, Phase: settlePhase})
	}
}

// restoreAlike writes one value back to all chips at once, where all had the same
// and one of them lost it. It reports whether it did.
func (e *emitter) restoreAlike(chips []int, reg facetdv1.Register, state Registers) bool {
	v := state[chips[0]][reg]
	if v < 0 || slices.ContainsFunc(chips, func(c int) bool { return state[c][reg] != v }) {
		return false
	}
	wrote, err := e.apply(chips, []action{write(reg, uint16(v))})
	return err == nil && wrote
}

func finish(e *emitter, chips []int, views []View, frames []FrameSpec) *OneShotPlan {
	out := &OneShotPlan{Chips: chips, Views: views, Frames: frames, Ops: e.take()}
	out.Time = bus.CostOf(e.a, out.Ops).Total()
	seen := map[chipmodel.LineSet]bool{0: true}
	for i := range out.Ops {
		if op := &out.Ops[i]; op.Kind == bus.OpSelect && !seen[op.Word] {
			seen[op.Word] = true
			out.Words = append(out.Words, SelectWord(e.a, op.Word))
		}
	}
	return out
}
