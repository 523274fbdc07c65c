package selectword

import (
	"cmp"
	"math/bits"
	"slices"

	"facetd.example/chipmodel"
)

// Inseparable returns the pairs of chips of one lane (lane[i] is chip i's) that
// cannot both be read by themselves: a's wires are within b's, so that reading b
// always selects a as well and two chips would drive the lane. Pairs of equal
// wires come once, in ascending order; otherwise b is the chip that cannot be read
// alone. Chips beyond the end of lane are left out.
func (w *Wiring) Inseparable(lane []int) [][2]int {
	pairs := [][2]int{}
	chips := min(len(w.wires), len(lane))
	for a := range chips {
		for b := range chips {
			if a == b || lane[a] != lane[b] || !w.wires[a].Within(w.wires[b]) {
				continue
			}
			if w.wires[a] == w.wires[b] && a > b {
				continue
			}
			pairs = append(pairs, [2]int{a, b})
		}
	}
	return pairs
}

// maxCountedLines limits the words that Table goes through one by one.
const maxCountedLines = 20

// Table is what the words of a wiring do.
type Table struct {
	// Rows are the useful words, fewest lines first.
	Rows []Row
	// Truncated says that there are more useful words than rows.
	Truncated bool
	// Counted says that the counts below are filled in: not beyond 20 lines.
	Counted bool
	// Useful words are the smallest ones of their reach and reach a chip.
	Useful int
	// Ambiguous words reach the same chips as a useful word with fewer lines.
	Ambiguous int
	// Useless words reach no chip.
	Useless int
}

// Row is a useful word.
type Row struct {
	Word  chipmodel.LineSet
	Reach []int // ascending
	// Same is the number of other words with the same reach; -1 where not counted.
	Same int
}

// Table lists what every word on the first lines does: those without any effect,
// those with the same effect as a smaller one, and up to maxRows of the useful
// ones. Lines that no chip is wired to only add ambiguous and useless words.
func (w *Wiring) Table(lines, maxRows int) Table {
	lines = max(lines, bits.Len64(uint64(unionOf(w.wires))))
	if lines <= maxCountedLines {
		return w.countedTable(lines, maxRows)
	}
	table := Table{}
	p := partOf(distinct(w.wires))
	in := &instance{work: 50 * (maxRows + 1000)}
	if len(p.elems) == 0 {
		return table
	}
	cols, complete := in.closedWords(&p)
	table.Truncated = !complete || len(cols) > maxRows
	words := make([]chipmodel.LineSet, len(cols))
	for i := range cols {
		words[i] = cols[i].word
	}
	table.Rows = w.rows(words, maxRows)
	return table
}

// countedTable finds the closed form of every word from those with one line less.
func (w *Wiring) countedTable(lines, maxRows int) Table {
	closed := make([]chipmodel.LineSet, 1<<lines)
	listens := make([]bool, 1<<lines)
	for _, wires := range w.wires {
		closed[wires] = wires
		listens[wires] = true
	}
	same := make(map[chipmodel.LineSet]int)
	table := Table{Counted: true}
	var useful []chipmodel.LineSet
	for i := range closed {
		word := chipmodel.LineSet(i)
		for rest := word; rest != 0; rest &= rest - 1 {
			less := word &^ (rest & -rest)
			closed[word] |= closed[less]
			listens[word] = listens[word] || listens[less]
		}
		switch {
		case !listens[word]:
			table.Useless++
		case closed[word] == word:
			table.Useful++
			useful = append(useful, word)
		default:
			table.Ambiguous++
			same[closed[word]]++
		}
	}
	table.Rows = w.rows(useful, maxRows)
	table.Truncated = len(useful) > maxRows
	for i := range table.Rows {
		table.Rows[i].Same = same[table.Rows[i].Word]
	}
	return table
}

func (w *Wiring) rows(words []chipmodel.LineSet, maxRows int) []Row {
	slices.SortFunc(words, func(a, b chipmodel.LineSet) int { return cmp.Or(a.Len()-b.Len(), cmp.Compare(a, b)) })
	rows := []Row{}
	for _, word := range words[:min(max(0, maxRows), len(words))] {
		rows = append(rows, Row{Word: word, Reach: w.Reach(word), Same: -1})
	}
	return rows
}

func distinct(sets []chipmodel.LineSet) []chipmodel.LineSet {
	return slices.Compact(slices.Sorted(slices.Values(sets)))
}
