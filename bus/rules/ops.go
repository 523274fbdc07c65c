package rules

import (
	"fmt"
	"math"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// selectWord makes all lines inactive and then those of the new word active. A lane changes at both moments: when its
// old driver lets go, and after the dead time, when a new one takes over. A lane that is undriven afterwards changes
// at the first only.
func (in *Inspector) selectWord(op *bus.Op, from, to bus.Time) {
	least := in.a.Timing.DeadTime
	if op.Word != 0 {
		least += in.a.Timing.SelectSetup
	}
	if to.Sub(from) < least {
		in.breach(RuleOneDriver, from, in.listening,
			"a change of the select word takes %v, but break before make and set-up need %v",
			to.Sub(from), least)
	}
	in.touchLanes(from)
	in.deselect()
	in.word = op.Word
	in.listening = in.reachOf(op.Word)
	active := min(from.Add(in.steps(in.a.Timing.DeadTime)), to)
	in.touchLanes(active)
	in.drivers(active)
}

// deselect notes that no chip is selected, so that exposures that were begun are none of the bus's any more.
func (in *Inspector) deselect() {
	for _, c := range in.listening {
		in.chips[c].exposing = false
	}
}

// steps is the least whole number of steps of the bus's clock in which a time has passed.
func (in *Inspector) steps(d time.Duration) time.Duration {
	if over := d % in.grain; over > 0 {
		d += in.grain - over
	}
	return d
}

func (in *Inspector) reachOf(word chipmodel.LineSet) []int {
	if reached, known := in.reach[word]; known {
		return reached
	}
	if len(in.reach) >= keptWords {
		// Forgetting all is simpler than tracking use, and what is still in use is soon known again.
		clear(in.reach)
	}
	var reached []int
	for i := range in.a.Chips {
		if word&in.a.Chips[i].Wires == in.a.Chips[i].Wires {
			reached = append(reached, i)
		}
	}
	in.reach[word] = reached
	return reached
}

// drives reports whether a chip drives its lane.
func (in *Inspector) drives(chip int) bool {
	c := &in.a.Chips[chip]
	return in.chips[chip].registers[chipmodel.OutputEnable]&1 == 1 && c.Lane >= 0 && c.Wires&^in.word == 0
}

// touchLanes notes that the lanes of the chips that drive now change at a time.
func (in *Inspector) touchLanes(at bus.Time) {
	for _, c := range in.listening {
		if in.drives(c) {
			in.touch(c, at)
		}
	}
}

func (in *Inspector) touch(chip int, at bus.Time) {
	if lane := in.a.Chips[chip].Lane; lane >= 0 {
		in.lanes[lane].changed = max(in.lanes[lane].changed, at)
	}
}

// drivers judges rule 1: at most one chip a lane listens with its output enabled.
func (in *Inspector) drivers(at bus.Time) {
	for i, c := range in.listening {
		if !in.drives(c) {
			continue
		}
		lane := in.a.Chips[c].Lane
		both := []int(nil)
		for _, other := range in.listening[i+1:] {
			if in.a.Chips[other].Lane == lane && in.drives(other) {
				both = append(both, other)
			}
		}
		// A lane is reported once, by the first of its drivers, with all the others.
		earlier := slices.ContainsFunc(in.listening[:i],
			func(o int) bool { return in.a.Chips[o].Lane == lane && in.drives(o) })
		if both != nil && !earlier {
			in.breach(RuleOneDriver, at, append([]int{c}, both...), "%d chips drive lane %s", 1+len(both),
				in.a.Lanes[lane].Name)
		}
	}
}

// sameChips compares two lists. Targets mostly come from one list, so comparing addresses spares the walk for almost
// every operation.
func sameChips(a, b []int) bool {
	if len(a) == len(b) && (len(a) == 0 || &a[0] == &b[0]) {
		return true
	}
	return slices.Equal(a, b)
}

// commandLog notes what each command of the running segment has reached. Its slices are used again from segment to
// segment: a timetable to be judged may have hundreds of thousands of operations.
type commandLog struct {
	list    []commandState
	most    int    // largest number in the list
	reached []bool // of the list's commands, one for each chip of the target
}

// commandState is a command as its first operation has it.
type commandState struct {
	number int
	kind   bus.OpKind
	code   int32
	target []int
	first  int // of its part of reached
	// outside are the chips reached that are not in the target.
	outside []int
}

// codeOf is the register of a write or the strobe.
func codeOf(op *bus.Op) int32 {
	if op.Kind == bus.OpWrite {
		return int32(op.Register)
	}
	return int32(op.Strobe)
}

func (c *commandState) what() string {
	return nameOf(&bus.Op{Kind: c.kind, Register: facetdv1.Register(c.code), Strobe: facetdv1.Strobe(c.code)})
}

func (l *commandLog) reset() {
	clear(l.list)
	l.list, l.reached, l.most = l.list[:0], l.reached[:0], math.MinInt
}

// find returns the command of an operation. Commands are mostly numbered in order: a larger number than any before is a
// new one, and needs no search.
func (l *commandLog) find(op *bus.Op) (*commandState, []bool) {
	i := -1
	if op.Command <= l.most {
		for i = len(l.list) - 1; i >= 0 && l.list[i].number != op.Command; i-- {
		}
	}
	if i < 0 {
		i = len(l.list)
		l.most = max(l.most, op.Command)
		first := len(l.reached)
		l.list = append(l.list, commandState{number: op.Command, kind: op.Kind, code: codeOf(op), target: op.Target,
			first: first})
		l.reached = slices.Grow(l.reached, len(op.Target))[:first+len(op.Target)]
		clear(l.reached[first:])
	}
	return &l.list[i], l.counts(i)
}

func (l *commandLog) counts(i int) []bool {
	return l.reached[l.list[i].first:][:len(l.list[i].target)]
}

// nameOf names a write or strobe for messages.
func nameOf(op *bus.Op) string {
	if op.Kind == bus.OpWrite {
		return op.Register.String()
	}
	return op.Strobe.String()
}

// addressed judges rules 2, 3 and 5 for a write or strobe.
func (in *Inspector) addressed(op *bus.Op, from bus.Time) {
	command, counts := in.commands.find(op)
	same := sameChips(command.target, op.Target)
	if !same {
		in.breach(RuleTarget, from, op.Target, "the parts of command %d (%s) are meant for different chips", op.Command,
			nameOf(op))
	}
	if command.kind != op.Kind || command.code != codeOf(op) {
		in.breach(RuleTarget, from, op.Target, "command %d is both %s and %s", op.Command, command.what(), nameOf(op))
	}
	in.withinJob(op.Target, from, nameOf(op))
	var outside, again []int
	at := 0 // in the command's target; both lists ascend
	for _, c := range in.listening {
		for at < len(command.target) && command.target[at] < c {
			at++
		}
		before, meant := false, at < len(command.target) && command.target[at] == c
		if meant {
			before, counts[at] = counts[at], true
		} else {
			// A second strobe is judged outside the target as well: rules 2 and 3 are violated apart from each other.
			before = slices.Contains(command.outside, c)
			command.outside = append(command.outside, c)
		}
		if before && op.Kind == bus.OpStrobe {
			again = append(again, c)
		}
		if !same {
			_, meant = slices.BinarySearch(op.Target, c)
		}
		if !meant {
			outside = append(outside, c)
		}
		in.disturb(c, op, from)
	}
	if outside != nil {
		in.breach(RuleTarget, from, outside, "%s reaches chips that it is not meant for", nameOf(op))
	}
	if again != nil {
		in.breach(RuleStrobeOnce, from, again, "%s of command %d reaches chips more than once", nameOf(op), op.Command)
	}
}

// withinJob judges rule 2 against the job: what its operations are meant for must be
// chips that the job is said to touch. The program says what each operation is meant
// for, so a program made for the wrong chips would otherwise judge itself.
func (in *Inspector) withinJob(target []int, at bus.Time, what string) {
	if in.job == nil || len(in.job.job.Chips) == 0 || sameChips(target, in.job.job.Chips) {
		return
	}
	var strange []int
	i := 0 // in the job's chips; both lists ascend
	for _, c := range target {
		for i < len(in.job.job.Chips) && in.job.job.Chips[i] < c {
			i++
		}
		if i == len(in.job.job.Chips) || in.job.job.Chips[i] != c {
			strange = append(strange, c)
		}
	}
	if strange != nil {
		in.breach(RuleTarget, at, strange, "%s is meant for chips that %s has nothing to do with", what,
			in.segmentJob())
	}
}

// lasting judges that a write or strobe lasts as long as the chips need to take it. The time comes from the array, not
// from the cost of the operation: who says how long something takes must not be the one to judge it.
func (in *Inspector) lasting(op *bus.Op, from, to bus.Time) {
	need := in.a.Timing.Strobe
	if op.Kind == bus.OpWrite {
		need = in.a.Timing.Write
	}
	if took := to.Sub(from); took < need {
		in.breach(RuleClaim, from, in.listening, "%s takes %v, the chips need %v", nameOf(op), took, need)
	}
}

// complete judges that a command has reached its whole target.
func (in *Inspector) complete(i int) {
	c, counts := &in.commands.list[i], in.commands.counts(i)
	var missed []int
	for at, chip := range c.target {
		if !counts[at] {
			missed = append(missed, chip)
		}
	}
	if missed != nil {
		in.breach(RuleStrobeOnce, in.now, missed, "%s of command %d does not reach its whole target", c.what(),
			c.number)
	}
}

// disturb judges rule 5 for a command that reaches a chip. When the holder has read
// some of its load already, only a further readout of it will show that the load
// was still needed.
func (in *Inspector) disturb(chip int, op *bus.Op, at bus.Time) {
	c := &in.chips[chip]
	if c.holder == nil || c.holder == in.job {
		return
	}
	if !c.read {
		in.breach(RuleHeld, at, []int{chip}, "%s of %s reaches a chip that %s has loaded and not read",
			nameOf(op), in.segmentJob(), c.holder.name())
		return
	}
	if !c.disturbed {
		c.disturbed, c.disturbedAt = true, at
		c.disturbance = nameOf(op) + " of " + in.segmentJob()
	}
}

func (in *Inspector) segmentJob() string {
	if in.segment == nil {
		return "no job"
	}
	return jobName(in.segment.Job)
}

// write changes a register of every chip that listens; to is when it is done.
func (in *Inspector) write(op *bus.Op, to bus.Time) {
	if op.Register <= 0 || int(op.Register) >= chipmodel.NumRegisters {
		return // no chip has it
	}
	for _, c := range in.listening {
		chip := &in.chips[c]
		// Writing what the register holds moves nothing: neither the lane nor what a pattern joins.
		if chip.registers[op.Register] == op.Value {
			continue
		}
		// Enabling an output, disabling it and any change while it is enabled move the lane.
		drove := in.drives(c)
		chip.registers[op.Register] = op.Value
		if drove || in.drives(c) {
			in.touch(c, to)
		}
		if op.Register == chipmodel.ColumnPattern || op.Register == chipmodel.RowPattern {
			chip.patternAt = to
		}
	}
	if op.Register == chipmodel.OutputEnable {
		in.drivers(to)
	}
}

// strobe acts on every chip that listens.
func (in *Inspector) strobe(op *bus.Op, from, to bus.Time) {
	for _, c := range in.listening {
		class := in.a.Chips[c].Class
		if class == nil {
			continue
		}
		chip := &in.chips[c]
		memory := class.HasMemory()
		switch {
		case op.Strobe == chipmodel.Load && memory:
			in.load(c, from, to)
		case op.Strobe == chipmodel.Expose && class.Spec.GetLinear().GetShutter() != nil:
			// It ends with the operation, and did not begin before that, whatever it says.
			chip.exposing, chip.exposedAt = true, max(from, to.Add(-op.Hold))
		case op.Strobe == chipmodel.Share && memory:
			// The switches were not closed for longer than the operation lasted, whatever it says.
			in.share(c, min(op.Hold, to.Sub(from)))
		case op.Strobe == chipmodel.Reset && class.Counts():
			// After too short a pulse the counter may stand anywhere.
			pulse := class.Spec.GetCounter().GetReset_().AsDuration()
			chip.counted, chip.counter = to.Sub(from) >= pulse, 0
		case op.Strobe == chipmodel.Advance && class.Counts():
			chip.counter++
		default:
			continue
		}
		if in.drives(c) {
			in.touch(c, to)
		}
	}
}

// load begins a chip's history of shares anew, and makes the job its holder. The pixel bias is noted now, as the pixels
// are sampled now: a later write does not change what the memory holds. An exposure that the bus has begun ends.
func (in *Inspector) load(chip int, from, to bus.Time) {
	c := &in.chips[chip]
	class := in.a.Chips[chip].Class
	c.loaded, c.loadedAt, c.loadedBy = true, from, in.job
	c.holder, c.read, c.disturbed = in.job, false, false
	c.loadBias = c.registers[chipmodel.PixelBias]
	c.shares, c.torn = c.shares[:0], ""
	need := time.Duration(class.Rows) * class.Spec.GetMemory().GetLoadRow().AsDuration()
	if to.Sub(from) < need {
		c.torn = "the load ended before its last row"
	}
	c.exposure = 0
	if !c.exposing {
		return
	}
	c.exposing, c.exposure = false, from.Sub(c.exposedAt)
	shutter := class.Spec.GetLinear().GetShutter()
	least, most := max(shutter.GetLeast().AsDuration(), in.a.Timing.Strobe), shutter.GetMost().AsDuration()
	if c.exposure < least || c.exposure > in.steps(most) {
		c.torn = fmt.Sprintf("it was exposed for %v, its shutter can do %v to %v", c.exposure, least, most)
	}
}

// share adds the patterns to a chip's history.
func (in *Inspector) share(chip int, hold time.Duration) {
	c := &in.chips[chip]
	p := bus.Patterns{Columns: uint8(c.registers[chipmodel.ColumnPattern]),
		Rows: uint8(c.registers[chipmodel.RowPattern])}
	c.shares = append(c.shares, p)
	if hold < in.leastShare(in.a.Chips[chip].Class, p) {
		c.torn = "a share was opened before its charge had settled"
	}
}

// leastShare is a time that no share may be shorter than: the measured one, or what the largest block of joined cells
// needs to come within half a step of the converter. It is worked out once for each size.
func (in *Inspector) leastShare(class *chipmodel.Class, p bus.Patterns) time.Duration {
	m := class.Spec.GetMemory()
	if m.GetShareSettle() != nil {
		return m.GetShareSettle().AsDuration()
	}
	block := blockSize{class, joined(p.Rows, class.Rows), joined(p.Columns, class.Columns)}
	least, known := in.blocks[block]
	if !known {
		least = blockSettle(block.rows, block.columns, m.GetSwitchResistanceOhms()*m.GetCellCapacitanceFf()*1e-6,
			class.Bits)
		in.blocks[block] = least
	}
	return least
}
