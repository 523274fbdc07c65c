// Package chipmodel describes an array: its chips, classes, wiring, lanes and
// the exact time that every bus operation takes.
//
// An Array is made once from the schema's message by New, which validates it and collects every error; everything that
// takes an Array trusts it. The package is pure: no clock, goroutine, file or logger. Its sub-packages hold the physics
// of a die, the light that falls on it, and the reader of array files.
package chipmodel

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
)

// LineSet is a set of select lines, bit i for line i of the array.
type LineSet uint64

// MaxLines is the largest number of select lines of an array.
const MaxLines = 64

// The largest numbers of what else an array has.
const (
	MaxChips   = 4096
	MaxLanes   = 256
	MaxClasses = 256
	MaxGroups  = 4096
)

// MaxLatticeSide is the largest number of rows or columns of a lattice.
const MaxLatticeSide = 4096

// Has reports whether line is in the set.
func (s LineSet) Has(line int) bool { return s>>uint(line)&1 == 1 }

// Within reports whether every line of s is in t.
func (s LineSet) Within(t LineSet) bool { return s&^t == 0 }

// Len returns the number of lines.
func (s LineSet) Len() int { return bits.OnesCount64(uint64(s)) }

// Lines returns the lines, ascending.
func (s LineSet) Lines() []int {
	lines := make([]int, 0, s.Len())
	for ; s != 0; s &= s - 1 {
		lines = append(lines, s.Lowest())
	}
	return lines
}

// Lowest returns the first line; 64 for an empty set.
func (s LineSet) Lowest() int { return bits.TrailingZeros64(uint64(s)) }

// String lists the lines, such as "{0,3,7}".
func (s LineSet) String() string {
	return "{" + strings.Trim(strings.Join(strings.Fields(fmt.Sprint(s.Lines())), ","), "[]") + "}"
}

// Registers of a chip; short names for the schema's.
const (
	ColumnPattern = facetdv1.Register_REGISTER_COLUMN_PATTERN
	RowPattern    = facetdv1.Register_REGISTER_ROW_PATTERN
	OutputEnable  = facetdv1.Register_REGISTER_OUTPUT_ENABLE
	PixelBias     = facetdv1.Register_REGISTER_PIXEL_BIAS
	OutputBias    = facetdv1.Register_REGISTER_OUTPUT_BIAS
	Gain          = facetdv1.Register_REGISTER_GAIN
	Offset        = facetdv1.Register_REGISTER_OFFSET
	NumRegisters  = int(Offset) + 1
)

// Strobes; short names for the schema's.
const (
	Load    = facetdv1.Strobe_STROBE_LOAD
	Share   = facetdv1.Strobe_STROBE_SHARE
	Reset   = facetdv1.Strobe_STROBE_RESET
	Advance = facetdv1.Strobe_STROBE_ADVANCE
	Expose  = facetdv1.Strobe_STROBE_EXPOSE
)

// Array is a checked array. It is read-only after New and may be shared.
type Array struct {
	Name    string
	Lines   []string
	Lanes   []Lane
	Classes []*Class
	Chips   []Chip
	Groups  []Group
	Timing  Timing
	// Device says which pins of a board drive the array; nil where the file does not.
	Device *Device
	// WiringOnly is set when the file has only select lines and chips: the chips then have no class and no lane.
	WiringOnly bool
	// Digest is the SHA-256 of the message's canonical encoding, in hexadecimal.
	Digest string
	// Message is the array as described, with defaults filled in; do not change it.
	Message *facetdv1.Array

	grain  time.Duration  // see OnGrain; 0 is one nanosecond
	byName map[string]int // chips
	lines  map[string]int
}

// Lane is one analog output line with its converter.
type Lane struct {
	Name string
	Spec *facetdv1.Lane
	// Chips are the indices of the chips wired to the lane.
	Chips []int
	// CapacitanceFarads is that of the whole line, including every chip on it.
	CapacitanceFarads float64
	Conversion        time.Duration
	SampleAndHold     bool
	Bits              int
}

// StepVolts is one step of the lane's converter.
func (l *Lane) StepVolts() float64 {
	c := l.Spec.GetConverter()
	return (c.GetHighVolts() - c.GetLowVolts()) / float64(uint64(1)<<l.Bits)
}

// CodeZeroVolts is the input that code 0 stands for, the middle of its step: an input anywhere in it gives that code.
func (l *Lane) CodeZeroVolts() float64 { return l.Spec.GetConverter().GetLowVolts() + l.StepVolts()/2 }

// CodeOf is the code that an input gives, not rounded: that of the middle of a step is whole.
func (l *Lane) CodeOf(volts float64) float64 { return (volts - l.CodeZeroVolts()) / l.StepVolts() }

// Class is what all chips of one design have in common.
type Class struct {
	Name          string
	Index         int
	Rows, Columns int
	// Bits is the finest resolution of the lanes that chips of the class are on: charge settles to half a step of that
	// one.
	Bits int
	// Spec holds every parameter as described, with defaults filled in.
	Spec *facetdv1.ChipClass
}

// Chip is one die on the bus.
type Chip struct {
	Name  string
	Index int
	// Class is nil where only the wiring is described.
	Class *Class
	// Selects are the lines that the chip's inputs are wired to, in input order.
	Selects []int
	// Wires is the set of those lines.
	Wires LineSet
	// Lane is the index of the chip's lane, or -1 where only the wiring is described.
	Lane int
	Spec *facetdv1.Chip
}

// Group is a named set of chips, by ascending index.
type Group struct {
	Name  string
	Chips []int
}

// Timing is how long the parts of the host's bus operations take at least, as described; how long they do take is up to
// the grain of the bus, and what the methods of Array say.
type Timing struct {
	DeadTime     time.Duration // all lines inactive between two words
	SelectSetup  time.Duration // from the new word to the first command
	Write        time.Duration // one register write
	Strobe       time.Duration // the pulse of one strobe
	ReleaseLimit time.Duration // every line inactive within this after a stop
}

// Chip returns the index of the chip of that name, or -1.
func (a *Array) Chip(name string) int {
	if i, ok := a.byName[name]; ok {
		return i
	}
	return -1
}

// Line returns the index of the select line of that name, or -1.
func (a *Array) Line(name string) int {
	if i, ok := a.lines[name]; ok {
		return i
	}
	return -1
}

// Group returns the chips of a group, or nil when there is none of that name.
func (a *Array) Group(name string) []int {
	for _, g := range a.Groups {
		if g.Name == name {
			return g.Chips
		}
	}
	return nil
}

// Reach returns the chips that listen under a word: those whose wires are a
// subset of it, by ascending index.
func (a *Array) Reach(word LineSet) []int {
	var reached []int
	for i := range a.Chips {
		if a.Chips[i].Wires.Within(word) {
			reached = append(reached, i)
		}
	}
	return reached
}

// LineNames returns the names of the lines of a word, in wiring order.
func (a *Array) LineNames(word LineSet) []string {
	names := make([]string, 0, word.Len())
	for i, name := range a.Lines {
		if word.Has(i) {
			names = append(names, name)
		}
	}
	return names
}

// ChipNames returns the names of chips.
func (a *Array) ChipNames(chips []int) []string {
	names := make([]string, len(chips))
	for i, c := range chips {
		names[i] = a.Chips[c].Name
	}
	return names
}

// All returns the indices of all chips.
func (a *Array) All() []int {
	all := make([]int, len(a.Chips))
	for i := range all {
		all[i] = i
	}
	return all
}

// Resolve returns the chips of a target by ascending index. It reports an unset target, an unknown group or chip, and a
// chip listed twice, all at once.
func (a *Array) Resolve(t *facetdv1.Target) ([]int, invalid.Errors) {
	var m invalid.Errors
	switch which := t.GetChips().(type) {
	case *facetdv1.Target_All:
		return a.All(), nil
	case *facetdv1.Target_Group:
		if chips := a.Group(which.Group); chips != nil {
			return chips, nil
		}
		m.Add("group", "no group is called "+quote(which.Group), a.meant(which.Group, a.groupNames(), "group"))
		return nil, m
	case *facetdv1.Target_List:
		return a.resolveList(which.List.GetNames())
	}
	m.Add("", "no chips are named", "give all: {}, a group, or list: {names: [...]}")
	return nil, m
}

func (a *Array) resolveList(names []string) ([]int, invalid.Errors) {
	var m invalid.Errors
	if len(names) == 0 {
		m.Add("list.names", "names no chip", "give at least one")
	}
	var chips []int
	for i, name := range names {
		c := a.Chip(name)
		switch {
		case c < 0:
			m.Add(invalid.Index("list.names", i), "no chip is called "+quote(name),
				a.meant(name, a.ChipNames(a.All()), "chip"))
		case slices.Contains(chips, c):
			m.Add(invalid.Index("list.names", i), "chip "+quote(name)+" is listed twice", "name each chip once")
		default:
			chips = append(chips, c)
		}
	}
	if len(m) > 0 {
		return nil, m
	}
	slices.Sort(chips)
	return chips, nil
}

// meant is a hint for a name that no chip or group of its kind has: both are looked at, since a command line does not
// tell them apart. Where both are as near, it is a group: its name is what those of its chips begin with.
func (a *Array) meant(name string, known []string, kind string) string {
	groups, chips := a.groupNames(), a.ChipNames(a.All())
	near := invalid.Nearest(name, slices.Concat(groups, chips))
	switch {
	case slices.Contains(groups, name):
		return "it is a group"
	case slices.Contains(chips, name):
		return "it is a chip"
	case near == "" || slices.Contains(known, near):
		return invalid.Closest(name, known, kind)
	case slices.Contains(groups, near):
		return "did you mean the group " + quote(near) + "?"
	}
	return "did you mean the chip " + quote(near) + "?"
}

func (a *Array) groupNames() []string {
	names := make([]string, len(a.Groups))
	for i, g := range a.Groups {
		names[i] = g.Name
	}
	return names
}
