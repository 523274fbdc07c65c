package selectword

import (
	"math/bits"

	"facetd.example/chipmodel"
)

// maxColumns limits the memory of one part: a column is a word and a set of
// elements.
const maxColumns = 200_000

// column is a word and the elements it holds.
type column struct {
	word chipmodel.LineSet
	has  []uint64
	cost int64
}

func (p *part) column(word chipmodel.LineSet) column {
	if len(p.spare) < p.stride {
		p.spare = make([]uint64, 64*p.stride)
	}
	c := column{word: word, has: p.spare[:p.stride:p.stride], cost: 1}
	p.spare = p.spare[p.stride:]
	for k := range c.has {
		c.has[k] = p.held(k, word, p.full[k])
	}
	return c
}

// held returns those of the elements 64*k.. in from that a word holds: none with a
// line that is off.
func (p *part) held(k int, word chipmodel.LineSet, from uint64) uint64 {
	for off := p.lines &^ word; off != 0; off &= off - 1 {
		from &^= p.touching[off.Lowest()*p.stride+k]
	}
	return from
}

// maximalWords enumerates the words that hold as many elements as possible: those
// to which no further element can be added. In a cover of equally dear words no
// others are needed. complete is false when work or memory ran out.
//
// It branches on lines. While the union of the elements still alive holds a
// forbidden set, one of that set's lines must be off; the k-th branch turns off
// the k-th line and keeps those before it on, so that no word comes twice. This is
// the enumeration of minimal transversals of the forbidden sets, seen from the
// complement, cut short by what the elements still need.
func (in *instance) maximalWords(p *part) (found []column, complete bool) {
	e := &lineBranching{in: in, p: p}
	live := make([]int32, len(p.elems))
	for i := range live {
		live[i] = int32(i)
	}
	complete = e.node(0, live, in.forbidden)
	return e.found, complete
}

type lineBranching struct {
	in    *instance
	p     *part
	found []column
}

// node reports false when work or memory ran out. It owns live and leaves
// forbidden as it is.
func (e *lineBranching) node(on chipmodel.LineSet, live []int32, forbidden []chipmodel.LineSet) bool {
	union, live, forbidden, dead := e.propagate(on, live, forbidden)
	if e.in.work <= 0 {
		return false
	}
	if dead {
		return true
	}
	if len(forbidden) == 0 {
		return e.leaf(union, live)
	}
	var degree [64]int
	pick := forbidden[0] &^ on
	for _, f := range forbidden {
		rest := f &^ on
		if rest.Len() < pick.Len() {
			pick = rest
		}
		for ; rest != 0; rest &= rest - 1 {
			degree[rest.Lowest()]++
		}
	}
	for pick != 0 {
		line := pick.Lowest()
		for rest := pick; rest != 0; rest &= rest - 1 {
			if degree[rest.Lowest()] > degree[line] {
				line = rest.Lowest()
			}
		}
		bit := chipmodel.LineSet(1) << line
		rest := make([]int32, 0, len(live))
		for _, i := range live {
			if e.p.elems[i]&bit == 0 {
				rest = append(rest, i)
			}
		}
		if !e.node(on, rest, forbidden) {
			return false
		}
		on |= bit
		pick &^= bit
	}
	return true
}

// propagate drops what cannot be: elements that, with the lines already on, would
// hold a forbidden set, and forbidden sets that the rest no longer holds. dead
// means that no word comes of it.
func (e *lineBranching) propagate(on chipmodel.LineSet, live []int32,
	forbidden []chipmodel.LineSet) (union chipmodel.LineSet, left []int32, still []chipmodel.LineSet, dead bool) {
	for {
		if !e.in.charge(1 + (len(live)+len(forbidden))/64) {
			return 0, nil, nil, true
		}
		union = 0
		for _, i := range live {
			union |= e.p.elems[i]
		}
		if len(live) == 0 || !on.Within(union) {
			return 0, nil, nil, true // another branch, with that line off, finds the same
		}
		var off chipmodel.LineSet
		var clash [64]chipmodel.LineSet // by line: lines that cannot be on with it
		still = make([]chipmodel.LineSet, 0, len(forbidden))
		for _, f := range forbidden {
			if !f.Within(union) {
				continue
			}
			still = append(still, f)
			switch rest := f &^ on; rest.Len() {
			case 0:
				return 0, nil, nil, true
			case 1:
				off |= rest
			case 2:
				low := rest & -rest
				clash[low.Lowest()] |= rest &^ low
			}
		}
		kept := live[:0]
		for _, i := range live {
			if elem := e.p.elems[i]; elem&off == 0 && !clashes(elem&^on, &clash) {
				kept = append(kept, i)
			}
		}
		if len(kept) == len(live) {
			return union, live, still, false
		}
		live, forbidden = kept, still
	}
}

func clashes(lines chipmodel.LineSet, clash *[64]chipmodel.LineSet) bool {
	for rest := lines; rest != 0; rest &= rest - 1 {
		if clash[rest.Lowest()]&lines != 0 {
			return true
		}
	}
	return false
}

// leaf keeps a word unless an element could be added to it: the branch that ends here did not see the elements that it
// had dropped.
func (e *lineBranching) leaf(word chipmodel.LineSet, live []int32) bool {
	e.in.charge(len(e.p.elems)/32 + (len(e.p.elems)-len(live))/16)
	for k := range e.p.full {
		fitting := e.p.full[k] // what fits with each element of the word
		for _, i := range live {
			fitting &= e.p.fits[i][k]
		}
		for ; fitting != 0; fitting &= fitting - 1 {
			elem := e.p.elems[k<<6|lowBit(fitting)]
			if !elem.Within(word) && e.in.allowed(word|elem) {
				return true
			}
		}
	}
	if len(e.found) == maxColumns {
		return false
	}
	e.found = append(e.found, e.p.column(word))
	return true
}

// closedWords enumerates every word that is a union of elements and holds no forbidden set, each once (close-by-one,
// Kuznetsov 1993, from memory): a word is made from its elements in ascending order, and skipped where adding one
// brings in an earlier element: that word has been made already.
func (in *instance) closedWords(p *part) (found []column, complete bool) {
	c := &closing{in: in, p: p}
	all := make([]int32, len(p.elems))
	for i := range all {
		all[i] = int32(i)
	}
	complete = c.extend(0, make([]uint64, p.stride), p.full, all)
	return c.found, complete
}

type closing struct {
	in    *instance
	p     *part
	found []column
}

// extend adds each of the later elements to a word in turn, where they fit with the
// element last added.
func (c *closing) extend(word chipmodel.LineSet, has, fits []uint64, later []int32) bool {
	fit, words := make([]int32, 0, len(later)), make([]chipmodel.LineSet, 0, len(later))
	for _, i := range later {
		if hasBit(has, int(i)) || !hasBit(fits, int(i)) {
			continue
		}
		if bigger, ok := c.in.fit(word | c.p.elems[i]); ok {
			fit, words = append(fit, i), append(words, bigger)
		}
	}
	if !c.in.charge(1 + len(later)/8) {
		return false
	}
	for k, i := range fit {
		spare := c.p.spare
		next := c.p.column(words[k])
		c.in.charge(1 + len(c.p.elems)/64)
		if !sameBelow(next.has, has, int(i)) {
			if len(spare) >= c.p.stride {
				c.p.spare = spare // as if it had not been made
			}
			continue
		}
		if len(c.found) == maxColumns {
			return false
		}
		c.found = append(c.found, next)
		fits := c.p.full
		if c.p.fits != nil {
			fits = c.p.fits[i]
		}
		if !c.extend(next.word, next.has, fits, fit[k+1:]) {
			return false
		}
	}
	return true
}

// sameBelow reports whether two sets agree on the members below i.
func sameBelow(a, b []uint64, i int) bool {
	last := i >> 6
	for k := range last {
		if a[k] != b[k] {
			return false
		}
	}
	return bits.TrailingZeros64(a[last]^b[last]) >= i&63
}
