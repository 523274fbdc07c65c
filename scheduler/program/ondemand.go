package program

import (
	"cmp"
	"maps"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// OnDemandPlan is the program of an on-demand capture or of a single command: one
// segment that runs while no job is open on its chips.
type OnDemandPlan struct {
	Chips []int  // all that it touches, ascending
	Views []View // none for commands
	Ops   []bus.Op
	// Frames are in the order of the indices in bus.Scan; none for commands.
	Frames []FrameSpec
	// Words are the select words used, each once, in order of first use.
	Words []*facetdv1.SelectWord
	// Time is exactly how long it takes, FirstSample how long after its beginning its first pixel is sampled; that is 0
	// for commands.
	Time, FirstSample time.Duration
}

// OnDemand compiles a capture of a target. Chips of several classes are read one class after another, with the same
// views, in one job. state is what the registers hold before it; every register with a known
// value holds that value again afterwards. Errors: invalid.Errors with paths from "target" and "views", *SelectError
// when no select words do it.
func OnDemand(a *chipmodel.Array, target *facetdv1.Target, views []*facetdv1.View, state Registers) (*OnDemandPlan,
	error) {
	c := &checker{a: a, onDemand: true}
	if a.WiringOnly {
		c.add("", "the array file describes only the wiring", "add classes, lanes and timing to capture frames")
		return nil, c.m
	}
	parts := c.captures(target, views)
	if len(c.m) > 0 {
		return nil, c.m
	}
	w := NewWords(a)
	e := newEmitter(w, state)
	var all OnDemandPlan
	for _, t := range parts {
		if err := e.capture(t, state, &all); err != nil {
			return nil, err
		}
	}
	for _, t := range parts {
		e.restore(t, state)
	}
	return finish(e, &all), nil
}

// captures are the parts of a capture, one for each class of its chips.
func (c *checker) captures(target *facetdv1.Target, views []*facetdv1.View) []*Task {
	chips, m := c.a.Resolve(target)
	if len(m) > 0 {
		c.m = append(c.m, m.Under("target")...)
		return nil
	}
	var out []*Task
	for _, chip := range chips {
		class := c.a.Chips[chip].Class
		i := slices.IndexFunc(out, func(t *Task) bool { return t.Class == class })
		if i < 0 {
			i, out = len(out), append(out, &Task{Name: "capture", Class: class})
		}
		out[i].Chips = append(out[i].Chips, chip)
	}
	for _, t := range out {
		before := len(c.m)
		t.Touches = touches(c.a, t.Chips)
		t.Views = c.views("views", views, t.Class)
		for i := range c.m[before:] {
			if len(out) > 1 {
				c.m[before+i].Message += " (for the chips of class " + t.Class.Name + ")"
			}
		}
	}
	return out
}

// capture appends one part of a capture to a plan.
func (e *emitter) capture(t *Task, state Registers, all *OnDemandPlan) error {
	a := e.words.a
	comp, err := NewCompiler(e.words, t, state)
	if err != nil {
		return err
	}
	comp.firstFrame = len(all.Frames)
	for _, chip := range t.Chips {
		if e.regs[chip][chipmodel.OutputEnable] != 0 && len(a.Reach(a.Chips[chip].Wires)) == 1 {
			e.Activate(a.Chips[chip].Wires)
			e.alone([]int{chip}, bus.Write(chipmodel.OutputEnable, 0))
		}
	}
	for _, b := range comp.blocks(1) {
		if err := e.put(b, 0); err != nil {
			return selectErrorOf(a, err)
		}
	}
	for _, f := range comp.frames {
		f.View += len(all.Views)
		all.Frames = append(all.Frames, f)
	}
	all.Views = append(all.Views, t.Views...)
	all.Chips = append(all.Chips, t.Touches...)
	slices.Sort(all.Chips)
	all.Chips = slices.Compact(all.Chips)
	return nil
}

// restore writes back the values that the registers of a task's chips had: the timetable, which goes on afterwards,
// relies on them.
func (e *emitter) restore(t *Task, state Registers) {
	before := e.Len()
	for reg := facetdv1.Register(1); int(reg) < chipmodel.NumRegisters; reg++ {
		if _, used := Wishes(t)[reg]; used {
			e.restoreRegister(t.Touches, reg, state)
		}
	}
	if e.Len() > before && t.Class.HasSwitches() {
		e.Wait(e.words.a.PatternSettle(t.Class))
	}
}

// restoreRegister writes one register of chips back, all chips that had one value together. Where no words reach
// exactly those, they are written one by one before the others, those with the most inputs first: a chip that listens
// whenever another does gets the other's value with it, and its own afterwards.
func (e *emitter) restoreRegister(chips []int, reg facetdv1.Register, state Registers) {
	alike := map[int32][]int{}
	for _, c := range chips {
		if v := state[c][reg]; v >= 0 {
			alike[v] = append(alike[v], c)
		}
	}
	var apart []int
	values := slices.Sorted(maps.Keys(alike))
	for _, v := range values {
		if _, err := e.words.cover(alike[v], false); err != nil {
			apart = append(apart, alike[v]...)
		}
	}
	slices.SortStableFunc(apart, func(x, y int) int {
		return cmp.Compare(e.words.a.Chips[y].Wires.Len(), e.words.a.Chips[x].Wires.Len())
	})
	for _, c := range apart {
		if v := state[c][reg]; e.regs[c][reg] != v {
			e.Activate(e.words.a.Chips[c].Wires)
			e.alone(e.words.a.Reach(e.words.a.Chips[c].Wires), bus.Write(reg, uint16(v)))
		}
	}
	for _, v := range values {
		// Those without a cover have their values by now.
		if !slices.Contains(apart, alike[v][0]) {
			_, _ = e.apply(alike[v], []bus.Action{bus.Write(reg, uint16(v))})
		}
	}
}

func finish(e *emitter, out *OnDemandPlan) *OnDemandPlan {
	out.Ops = e.Take()
	sampled := false
	for i := range out.Ops {
		if op := &out.Ops[i]; op.Scan != nil && !sampled {
			sampled = true
			out.FirstSample = out.Time + op.Scan.Timing(e.words.a).First
		}
		out.Time += bus.Cost(e.words.a, &out.Ops[i]).Total()
	}
	seen := map[chipmodel.LineSet]bool{0: true}
	for i := range out.Ops {
		if op := &out.Ops[i]; op.Kind == bus.OpSelect && !seen[op.Word] {
			seen[op.Word] = true
			out.Words = append(out.Words, SelectWord(e.words.a, op.Word))
		}
	}
	return out
}
