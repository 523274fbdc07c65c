package wiring

import (
	"slices"

	"facetd.example/chipmodel"
	"facetd.example/scheduler/selectword"
)

// word is a set of lines.
type word = chipmodel.LineSet

// unreachable stands for the words of a group that cannot be reached at all, and
// for a pair of chips that cannot be read apart: dearer than any real group.
const unreachable = 1 << 12

// trial is a wiring with the words that each group needs, kept up to date while
// wires move.
type trial struct {
	spec   *Spec
	wires  []word
	member [][]bool // by group, chip
	words  []int    // by group
	union  []word   // by group
	twins  int      // pairs on one lane with the same wires, or near ones where nothing may be hidden
	lanes  []int    // by chip
	work   *int     // groups that may still be evaluated
	coarse bool     // count words as one or more than one
	guide  int      // count up to so many chips in the way of one word instead of words; 0: words
	log    []entry  // what rewire changed since the last commit
}

// entry is what a group or a chip was before a change.
type entry struct {
	group, chip int // one of them -1
	words       int
	lines       word
}

func newTrial(spec *Spec, wires []word, work *int) *trial {
	return newTrialAs(spec, wires, work, 0)
}

// newTrialAs makes a trial that counts words (guide 0), or, as a guide, one and up
// to so many chips outside a group that listen when the whole group does. The guide
// is cheap, and unlike the words it tells a near miss from a far one.
func newTrialAs(spec *Spec, wires []word, work *int, guide int) *trial {
	t := &trial{guide: guide, spec: spec, wires: slices.Clone(wires), work: work,
		words: make([]int, len(spec.Groups)), union: make([]word, len(spec.Groups)), coarse: spec.Aim == MostSingle}
	for _, g := range spec.Groups {
		is := make([]bool, len(spec.Chips))
		for _, c := range g.Chips {
			is[c] = true
		}
		t.member = append(t.member, is)
	}
	for g := range spec.Groups {
		t.evaluate(g)
	}
	for _, c := range spec.Chips {
		t.lanes = append(t.lanes, c.Lane)
	}
	for a := range wires {
		t.twins += t.twinsOf(a, a)
	}
	return t
}

// twinsOf counts the chips before end on the lane of a chip with the same wires, and where nothing may be hidden those
// whose shorts would be.
func (t *trial) twinsOf(chip, end int) int {
	n := 0
	for other := range end {
		if other == chip || t.wires[chip] == 0 || t.wires[other] == 0 ||
			t.spec.Chips[other].Lane != t.spec.Chips[chip].Lane {
			continue
		}
		if t.wires[other] == t.wires[chip] || t.spec.HideNone && near(t.wires[other], t.wires[chip]) {
			n++
		}
	}
	return n
}

// hiddenSwaps counts the swaps that would not show, where none may be hidden; 0 while chips are not wired, since each
// of them may tell lines apart.
func (t *trial) hiddenSwaps() int {
	if !t.spec.HideNone || slices.Contains(t.wires, 0) {
		return 0
	}
	*t.work -= len(t.wires) / 4
	n, wired := 0, sitesOf(t.wires, t.lanes)
	for l := range t.spec.Lines {
		for m := l + 1; m < t.spec.Lines; m++ {
			if wired.hides(l, m) {
				n++
			}
		}
	}
	return n
}

// evaluate counts the words of a group. Chips not wired yet (no lines) are left
// out, which never raises the count.
func (t *trial) evaluate(g int) {
	*t.work -= 1
	var union word
	wired := 0
	for _, c := range t.spec.Groups[g].Chips {
		if t.wires[c] != 0 {
			union |= t.wires[c]
			wired++
		}
	}
	t.union[g] = union
	t.words[g] = 1
	if t.guide > 0 {
		t.words[g] += min(t.guide, t.intruders(g, union))
		return
	}
	if wired == 0 || t.alone(g, union) {
		return
	}
	t.words[g] = 2
	apart := wired == 2 && t.distinctFromOthers(g)
	if !apart && (!t.coarse || !t.distinctFromOthers(g)) {
		t.words[g] = t.cover(g)
	}
}

// alone reports whether a word reaches no chip outside the group.
func (t *trial) alone(g int, union word) bool {
	for c, w := range t.wires {
		if !t.member[g][c] && w != 0 && w.Within(union) {
			return false
		}
	}
	return true
}

// intruders counts the chips outside the group that a word reaches.
func (t *trial) intruders(g int, union word) int {
	n := 0
	for c, w := range t.wires {
		if !t.member[g][c] && w != 0 && w.Within(union) {
			n++
		}
	}
	return n
}

// distinctFromOthers reports whether each chip of the group can be reached without
// any outside it.
func (t *trial) distinctFromOthers(g int) bool {
	return !slices.ContainsFunc(t.spec.Groups[g].Chips,
		func(c int) bool { return t.wires[c] != 0 && !t.alone(g, t.wires[c]) })
}

// cover counts the words of a group in full.
func (t *trial) cover(g int) int {
	*t.work -= 60
	var wires []word
	var target []int
	for c, w := range t.wires {
		if w == 0 {
			continue
		}
		if t.member[g][c] {
			target = append(target, len(wires))
		}
		wires = append(wires, w)
	}
	found, err := selectword.New(wires).Cover(target, selectword.Options{Once: t.spec.Groups[g].Once, Work: 20_000})
	if err != nil {
		return unreachable
	}
	return len(found.Words)
}

// rewire gives a chip other wires and evaluates again the groups that this can have changed: its own, and those whose
// lines hold its wires before or after.
func (t *trial) rewire(chip int, wires word) {
	before := t.wires[chip]
	t.log = append(t.log, entry{group: -1, chip: chip, lines: before})
	t.twins -= t.twinsOf(chip, len(t.wires))
	t.wires[chip] = wires
	t.twins += t.twinsOf(chip, len(t.wires))
	for g := range t.spec.Groups {
		if t.member[g][chip] || (before != 0 && before.Within(t.union[g])) || (wires != 0 && wires.Within(t.union[g])) {
			t.log = append(t.log, entry{group: g, chip: -1, words: t.words[g], lines: t.union[g]})
			t.evaluate(g)
		}
	}
}

// commit keeps the changes since the last commit or revert.
func (t *trial) commit() { t.log = t.log[:0] }

// revert takes back the changes down to a length of the log.
func (t *trial) revert(to int) {
	for _, e := range slices.Backward(t.log[to:]) {
		if e.group >= 0 {
			t.words[e.group], t.union[e.group] = e.words, e.lines
			continue
		}
		t.twins -= t.twinsOf(e.chip, len(t.wires))
		t.wires[e.chip] = e.lines
		t.twins += t.twinsOf(e.chip, len(t.wires))
	}
	t.log = t.log[:to]
}

// cost is what the aim minimises; a wiring that is not usable costs more than any that is.
func (t *trial) cost() int64 {
	total := int64(t.twins+t.hiddenSwaps()) * unreachable * MaxWeight
	for g, words := range t.words {
		total += t.spec.Groups[g].Weight * t.price(words)
	}
	return total
}

func (t *trial) price(words int) int64 {
	switch {
	case t.guide > 0:
		return int64(words - 1)
	case words >= unreachable:
		return unreachable
	case t.spec.Aim == LeastTraffic:
		return int64(words)
	case words > 1:
		return 1
	}
	return 0
}

// usable reports whether every chip can be read apart and every group reached.
func (t *trial) usable() bool {
	return t.twins == 0 && t.hiddenSwaps() == 0 && !slices.Contains(t.words, unreachable)
}

// refine counts the words of all groups in full.
func (t *trial) refine() {
	t.coarse = false
	for g := range t.words {
		t.evaluate(g)
	}
}
