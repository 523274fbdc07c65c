package bus

import (
	"slices"
	"strings"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// Action is a register write or a strobe, without the chips that it is meant for.
type Action struct {
	Register facetdv1.Register // a write; unset for a strobe
	Value    uint16
	Strobe   facetdv1.Strobe
	Hold     time.Duration // of a share, or an exposure
	Slot     int           // that gives Value, or Hold
}

// Write is the action that writes a register.
func Write(r facetdv1.Register, v uint16) Action { return Action{Register: r, Value: v} }

// Strobe is the action of a strobe other than a share.
func Strobe(s facetdv1.Strobe) Action { return Action{Strobe: s} }

// Share is the action that closes the switches of the active patterns for a time.
func Share(hold time.Duration) Action { return Action{Strobe: chipmodel.Share, Hold: hold} }

// Expose is the action that begins an exposure of a length, which ends with it: what follows is the load. A slot may
// give the length.
func Expose(exposure time.Duration, slot int) Action {
	return Action{Strobe: chipmodel.Expose, Hold: exposure, Slot: slot}
}

// Writes reports whether the action is a register write.
func (a Action) Writes() bool { return a.Register != 0 }

// Op is the action as one part of a command. target is every chip that the whole command is meant for, ascending.
func (a Action) Op(command int, target []int) Op {
	op := Op{
		Kind: OpStrobe, Register: a.Register, Value: a.Value, Strobe: a.Strobe, Hold: a.Hold,
		Command: command, Target: target, Slot: a.Slot,
	}
	if a.Writes() {
		op.Kind = OpWrite
	}
	return op
}

// SelectOp makes a word active; word 0 leaves every line inactive.
func SelectOp(w chipmodel.LineSet) Op { return Op{Kind: OpSelect, Word: w} }

// WaitOp lets voltages settle for a time.
func WaitOp(d time.Duration) Op {
	return Op{Kind: OpWait, Hold: d, Phase: facetdv1.Phase_PHASE_SETTLE}
}

// ReadOp reads chips, which are of one class, in the way that their class is read.
func ReadOp(a *chipmodel.Array, s Scan) Op {
	kind := OpScan
	if a.Chips[s.Chips[0]].Class.Counts() {
		kind = OpClockOut
	}
	return Op{Kind: kind, Scan: &s}
}

// Builder writes the operations of one segment after another: it numbers commands, leaves out a select of the word that
// is already active, rounds the times of operations up to the grain of the array's bus, and adds up what the segment
// costs. All programs are written by it, so that what they cost and how they number commands is decided in one place.
type Builder struct {
	a     *chipmodel.Array
	slots []Slot
	draft
}

// draft is a segment as far as it has been written. Operations are only ever appended, so a copy of a draft is a point
// to go back to.
type draft struct {
	ops     []Op
	word    chipmodel.LineSet // active; means nothing until something is selected in the segment
	spent   time.Duration
	command int
}

// NewBuilder returns a builder of programs for an array. Operations may refer to the slots.
func NewBuilder(a *chipmodel.Array, slots ...Slot) *Builder { return &Builder{a: a, slots: slots} }

// Array is the array that the programs are for.
func (b *Builder) Array() *chipmodel.Array { return b.a }

// Spent is the bus time of the segment so far.
func (b *Builder) Spent() time.Duration { return b.spent }

// Len is the number of operations of the segment so far.
func (b *Builder) Len() int { return len(b.ops) }

// Word is the active word; 0 where nothing was selected in this segment.
func (b *Builder) Word() chipmodel.LineSet { return b.word }

func (b *Builder) add(op Op) {
	op.Hold = b.a.Up(op.Hold)
	if op.UsesSlots() {
		op.Lasts = WorstCost(b.a, &op, b.slots)
	}
	b.ops = append(b.ops, op)
	b.spent += Cost(b.a, &op).Total()
}

// Select makes a word active (0: no line), even where it is active already.
func (b *Builder) Select(w chipmodel.LineSet) {
	b.add(SelectOp(w))
	b.word = w
}

// Activate makes a word active where it is not.
func (b *Builder) Activate(w chipmodel.LineSet) {
	if b.word != w || len(b.ops) == 0 {
		b.Select(w)
	}
}

// Command begins a command and returns its number. Part then writes its parts, each under its own word.
func (b *Builder) Command() int {
	b.command++
	return b.command
}

// Part sends one part of a command to the chips that listen; target is what the whole command is meant for.
func (b *Builder) Part(command int, a Action, target []int) { b.add(a.Op(command, target)) }

// Do sends a command of its own to the chips that listen, which are its target.
func (b *Builder) Do(a Action, target []int) { b.Part(b.Command(), a, target) }

// Wait lets voltages settle; a wait of no time writes nothing.
func (b *Builder) Wait(d time.Duration) {
	if d > 0 {
		b.add(WaitOp(d))
	}
}

// Read reads chips of one class.
func (b *Builder) Read(s Scan) {
	s.Settle = b.a.Up(s.Settle)
	b.add(ReadOp(b.a, s))
}

// Take ends the segment and returns its operations. The next segment selects anew, since anything may run in between.
func (b *Builder) Take() []Op {
	ops := slices.Clip(b.ops)
	b.draft = draft{}
	return ops
}

// BuilderMark is a builder at one point of a segment.
type BuilderMark struct{ draft draft }

// Mark returns the point that a segment has reached, for Back.
func (b *Builder) Mark() BuilderMark { return BuilderMark{b.draft} }

// Empty reports whether nothing of the segment was written at the mark.
func (m BuilderMark) Empty() bool { return len(m.draft.ops) == 0 }

// Back drops what was written since a mark of the same segment.
func (b *Builder) Back(m BuilderMark) { b.draft = m.draft }

// RegisterName is a register's name for people.
func RegisterName(r facetdv1.Register) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(r.String(), "REGISTER_"), "_", " "))
}

// StrobeName is a strobe's name for people.
func StrobeName(s facetdv1.Strobe) string {
	return strings.ToLower(strings.TrimPrefix(s.String(), "STROBE_"))
}
