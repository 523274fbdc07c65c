package diagnosis

import (
	"math/bits"
	"slices"

	"facetd.example/chipmodel"
)

// pairsUpTo is the largest number of lines with which every two are left out together; with more, there would be too
// many words.
const pairsUpTo = 16

// wordList collects words, each once, in the order in which they come.
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

// enableWords are the words that outputs are enabled under: those of single chips, those of two chips on different
// lanes, which show twice as much, and those of single chips less one line, which reach no chip of a fault-free array
// and so show what is stuck, open or shorted.
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

// readoutWords are the words that lanes are read out under: all lines, all less one or two, and the word of a chip less
// one line, with halves of the other lines added. The halves bisect the lines, so that a foreign line is found in few
// readouts.
func (m *Model) readoutWords() []chipmodel.LineSet {
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
