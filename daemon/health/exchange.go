package health

import (
	"fmt"
	"maps"
	"math"
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// exchange is two select lines that are swapped, with the chips that show it.
type exchange struct {
	lines [2]int
	chips []int
}

// answers is what is seen where a chip's own select word is driven.
type answers struct {
	// other is, by chip, the chip whose pattern is seen in its place.
	other map[int]int
	// silent are the chips of which no signal is seen. Foreign and driven are those of which it is known whether
	// another chip answers, and whether any does.
	silent, foreign, driven []int
}

// exchanged are the two select lines whose exchange predicts what is seen of every chip that was judged: where another
// answers which one, and where none does that none does. Of several pairs it is the one that explains most chips. It is
// nil where no two do, or several equally: then only a probe tells more.
func exchanged(a *chipmodel.Array, seen answers) *exchange {
	if len(seen.other) == 0 {
		return nil
	}
	c := slices.Min(slices.Collect(maps.Keys(seen.other))) // an exchange explains every chip, and so this one
	// The other listens under the word with m for l, and not under the word itself.
	w, o := a.Chips[c].Wires, a.Chips[seen.other[c]].Wires
	added := o &^ w
	if added.Len() != 1 {
		return nil
	}
	var found *exchange
	alike := false
	for _, l := range (w &^ o).Lines() {
		m := added.Lowest()
		x := predicts(a, [2]int{min(l, m), max(l, m)}, seen)
		switch {
		case x == nil, found != nil && len(x.chips) < len(found.chips):
		case found != nil && len(x.chips) == len(found.chips):
			alike = true
		default:
			found, alike = x, false
		}
	}
	if alike || found == nil || len(found.chips) < 2 { // of one chip alone too much may be the cause
		return nil
	}
	return found
}

// predicts returns the exchange of two lines where it predicts what is seen; silent chips may be so for causes of their
// own as well.
func predicts(a *chipmodel.Array, lines [2]int, seen answers) *exchange {
	x := &exchange{lines: lines}
	both := chipmodel.LineSet(1<<lines[0] | 1<<lines[1])
	for c := range a.Chips {
		w := a.Chips[c].Wires
		who, several := c, false
		if (w & both).Len() == 1 {
			who, several = listener(a, w^both, a.Chips[c].Lane)
		}
		other, foreign := seen.other[c]
		_, judged := slices.BinarySearch(seen.foreign, c)
		_, silent := slices.BinarySearch(seen.silent, c)
		_, driven := slices.BinarySearch(seen.driven, c)
		switch {
		case several: // two chips drive the lane: what is seen then is not known
			return nil
		case foreign && other != who, who < 0 && driven && !silent, who >= 0 && who != c && judged && !foreign:
			return nil
		case foreign, who < 0 && silent:
			x.chips = append(x.chips, c)
		}
	}
	return x
}

// listener is the chip of a lane that listens under a word; -1 where none does.
func listener(a *chipmodel.Array, word chipmodel.LineSet, lane int) (chip int, several bool) {
	chip = -1
	for i := range a.Chips {
		if a.Chips[i].Lane == lane && a.Chips[i].Wires.Within(word) {
			if chip >= 0 {
				return -1, true
			}
			chip = i
		}
	}
	return chip, false
}

// exchange is what two swapped select lines explain of what chips show now.
func (m *Monitor) exchange() *exchange {
	seen := answers{other: map[int]int{}, silent: m.groups[undriven].given, driven: m.groups[undriven].judged,
		foreign: m.groups[foreignPattern].judged}
	for _, c := range m.groups[foreignPattern].given {
		o := m.array.Chip(m.chips[c].other)
		if o < 0 {
			return nil
		}
		seen.other[c] = o
	}
	return exchanged(m.array, seen)
}

// tellExchange makes a finding of two swapped lines.
func (m *Monitor) tellExchange(x *exchange) *facetdv1.HealthFinding {
	w := &wordings[foreignPattern]
	first, second := m.array.Lines[x.lines[0]], m.array.Lines[x.lines[1]]
	c := culprit{subject: ofLine, name: first, chips: x.chips}
	var worst evidence
	shows, since := -1, int64(math.MaxInt64)
	for _, chip := range x.chips {
		of := undriven
		if slices.Contains(m.groups[foreignPattern].given, chip) {
			of = foreignPattern
		}
		l := &m.chips[chip].latches[of]
		since = min(since, l.since)
		if of == foreignPattern && (shows < 0 || l.measured > worst.measured) {
			shows, worst = chip, l.evidence
		}
	}
	f := w.tell(m.array, c, worst, since)
	f.Id = idOf(c, "swapped")
	f.Fault = "swapped with select line " + second
	f.Text = fmt.Sprintf("select line %s: swapped with select line %s (%d chips: %s); frames of %s show %s of the "+
		"fixed pattern of %s (up to %s is chance)", first, second, len(x.chips), listed(m.array, x.chips),
		m.array.Chips[shows].Name, percent(worst.measured), m.chips[shows].other, percent(worst.limit))
	f.Cause = fmt.Sprintf("the wires of %s and %s are exchanged between the host and the chips, or in the array file",
		first, second)
	f.Action = "run 'facetctl probe' when the array may be used, to confirm it; then exchange the two wires, or the " +
		"two names in the array file"
	return f
}
