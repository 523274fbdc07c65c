package probe

import (
	"math/bits"
	"slices"

	"facetd.example/chipmodel"
)

const (
	// allWordsUpTo is the largest number of lines of which every word is tried
	// before faults are said to be inseparable.
	allWordsUpTo = 12
	// pairsUpTo is the largest number of lines of which every two are left out
	// together.
	pairsUpTo = 16
)

// wordList collects words, each once, in order of first mention.
type wordList struct {
	words []chipmodel.LineSet
	known map[chipmodel.LineSet]bool
}

func (l *wordList) add(words ...chipmodel.LineSet) {
	if l.known == nil {
		l.known = map[chipmodel.LineSet]bool{}
	}
	for _, w := range words {
		if !l.known[w] {
			l.known[w] = true
			l.words = append(l.words, w)
		}
	}
}

// enableWords are the words that outputs are enabled under: those of single chips
// and of two chips on different lanes, and all of them less one line, which reach
// nobody on a sound array.
func (m *Model) enableWords() []chipmodel.LineSet {
	var l wordList
	for _, w := range m.wires {
		l.add(w)
	}
	for c, w := range m.wires {
		for d := c + 1; d < len(m.wires); d++ {
			if m.lane[c] != m.lane[d] && m.bothAlone(c, d) {
				l.add(w | m.wires[d])
			}
		}
	}
	for w := range linesOut(slices.Values(m.wires)) {
		l.add(w)
	}
	l.add(0)
	return l.words
}

// bothAlone reports whether the smallest word for two chips reaches no other.
func (m *Model) bothAlone(c, d int) bool {
	word, n := m.wires[c]|m.wires[d], 0
	for _, w := range m.wires {
		if w.Within(word) {
			n++
		}
	}
	return n == 2
}

// linesOut yields every word less each of its lines.
func linesOut(words func(func(chipmodel.LineSet) bool)) func(func(chipmodel.LineSet) bool) {
	return func(yield func(chipmodel.LineSet) bool) {
		for w := range words {
			for left := w; left != 0; left &= left - 1 {
				if !yield(w &^ (left & -left)) {
					return
				}
			}
		}
	}
}

// lookWords are the words that lanes are looked at under: all lines, all less one or
// two, and the word of a chip less one line, with halves of the other lines added.
// The halves bisect the lines, so that a foreign line is found in few looks.
func (m *Model) lookWords() []chipmodel.LineSet {
	var l wordList
	l.add(m.every)
	n := len(m.a.Lines)
	for i := range n {
		l.add(m.every &^ (1 << uint(i)))
	}
	for _, w := range m.wires {
		l.add(w)
	}
	halves := bisections(n)
	for w := range linesOut(slices.Values(m.wires)) {
		l.add(w)
		for _, h := range halves {
			l.add(w | h)
		}
	}
	for _, w := range m.wires {
		for out := w; out != 0; out &= out - 1 {
			line := out & -out
			for _, h := range halves {
				l.add(w&^line | h&^line)
			}
		}
	}
	if n <= pairsUpTo {
		for i := range n {
			for j := range i {
				l.add(m.every &^ (1<<uint(i) | 1<<uint(j)))
			}
		}
	}
	return l.words
}

// bisections are sets of lines of which, for any two lines, one holds the first and
// not the second: the lines with each bit of their number set, and those without.
func bisections(lines int) []chipmodel.LineSet {
	var out []chipmodel.LineSet
	for b := range bits.Len(uint(max(lines-1, 0))) {
		var with, without chipmodel.LineSet
		for i := range lines {
			if i>>uint(b)&1 == 1 {
				with |= 1 << uint(i)
			} else {
				without |= 1 << uint(i)
			}
		}
		out = append(out, with, without)
	}
	return out
}

// wideWords are the words tried before hypotheses are called inseparable: every word
// of a small array; of a larger one every combination of the lines that the
// hypotheses concern, up to 10 of them, with none, all, or a chip's own of the others.
func (m *Model) wideWords(hyps []hypothesis) []chipmodel.LineSet {
	if len(m.a.Lines) <= allWordsUpTo {
		out := make([]chipmodel.LineSet, 1<<uint(len(m.a.Lines)))
		for i := range out {
			out[i] = chipmodel.LineSet(i)
		}
		return out
	}
	const most = 10
	var concern []chipmodel.LineSet
	var relevant chipmodel.LineSet
	bases := wordList{}
	bases.add(0, m.every)
	take := func(lines chipmodel.LineSet) {
		for ; lines != 0 && len(concern) < most; lines &= lines - 1 {
			if line := lines & -lines; relevant&line == 0 {
				relevant |= line
				concern = append(concern, line)
			}
		}
	}
	for _, h := range hyps {
		for _, f := range h.faults {
			if f.atInput() || f.Kind == Dead {
				bases.add(m.wires[f.Chip])
				take(m.wires[f.Chip])
			}
			switch f.Kind {
			case StuckActive, StuckInactive:
				take(1 << uint(f.Line))
			case Swapped:
				take(1<<uint(f.Line) | 1<<uint(f.Other))
			case Shorted:
				take(1 << uint(f.Other))
			}
		}
	}
	for c, w := range m.wires {
		if w&relevant != 0 && len(bases.words) < 32 {
			bases.add(m.wires[c])
		}
	}
	var l wordList
	for _, base := range bases.words {
		for sub := range 1 << uint(len(concern)) {
			w := base &^ relevant
			for i, line := range concern {
				if sub>>uint(i)&1 == 1 {
					w |= line
				}
			}
			l.add(w)
		}
	}
	return l.words
}
