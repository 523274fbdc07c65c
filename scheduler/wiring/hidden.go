package wiring

import (
	"math/rand/v2"
	"slices"

	"facetd.example/chipmodel"
)

// Hidden is what no probe can find out about a wiring without risk: a probe enables outputs under one select word,
// reads the lanes out under another, and sees whether a lane is driven.
type Hidden struct {
	// Swaps are pairs of lines, each ascending, whose swap changes nothing that lanes show: with both exchanged, the
	// chips of each lane are wired to the same sets of lines. Lines without chips are left out.
	Swaps [][2]int
	// Shorts are pairs of chips of one lane that differ in one line each. A short of such an input of either chip to
	// the line of the other makes it listen under the other's word. Both chips have to be enabled to exclude both
	// shorts, and whichever is enabled first, one of the two makes them drive the lane together.
	Shorts []Short
}

// Short is a pair of chips, and the line that each has and the other has not.
type Short struct {
	Chips, Lines [2]int
}

// HiddenBy returns what a wiring hides. lanes is the lane of each chip; lines is the number of host lines.
func HiddenBy(wires []chipmodel.LineSet, lanes []int, lines int) Hidden {
	var h Hidden
	wired := sitesOf(wires, lanes)
	for l := range lines {
		for m := l + 1; m < lines; m++ {
			if wired.hides(l, m) {
				h.Swaps = append(h.Swaps, [2]int{l, m})
			}
		}
	}
	for d := range wires {
		for c := range d {
			if lanes[c] == lanes[d] && near(wires[c], wires[d]) {
				h.Shorts = append(h.Shorts, Short{Chips: [2]int{c, d},
					Lines: [2]int{(wires[c] &^ wires[d]).Lowest(), (wires[d] &^ wires[c]).Lowest()}})
			}
		}
	}
	return h
}

// near reports whether two sets differ in one line each.
func near(a, b word) bool { return (a&^b).Len() == 1 && (b&^a).Len() == 1 }

// site is a chip as lanes show it.
type site struct {
	lane  int
	wires word
}

type sites map[site]bool

// sitesOf gathers the chips that are wired.
func sitesOf(wires []word, lanes []int) sites {
	out := make(sites, len(wires))
	for c, w := range wires {
		if w != 0 {
			out[site{lanes[c], w}] = true
		}
	}
	return out
}

// hides reports whether a swap of two lines that chips are wired to would not show.
func (s sites) hides(l, m int) bool {
	both := word(1)<<uint(l) | word(1)<<uint(m)
	used := false
	for at := range s {
		used = used || at.wires&both != 0
		if at.wires.Has(l) != at.wires.Has(m) && !s[site{at.lane, at.wires ^ both}] {
			return false
		}
	}
	return used
}

// drawsHidingNone is how many wirings without near chips are drawn to begin with.
const drawsHidingNone = 64

// hidingNone draws wirings in which no chips of a lane are near each other, each chip in turn taking the first set of
// a random order that is far from those before, and returns the best; false where none may be hidden is not asked for,
// or no draw succeeds.
func (s *Spec) hidingNone(work *int, goal int64) (best candidate, ok bool) {
	if !s.HideNone || choose(s.Lines, s.Inputs) > 1<<12 {
		return best, false
	}
	rng := rand.New(rand.NewPCG(s.Seed, 0x68696465)) // any fixed second half
	sets, fixed := lexicographic(1<<12, s.Lines, s.Inputs), s.fixed()
	for range drawsHidingNone {
		rng.Shuffle(len(sets), func(i, j int) { sets[i], sets[j] = sets[j], sets[i] })
		wires := make([]word, len(s.Chips))
		for c := range wires {
			i := slices.IndexFunc(sets, func(set word) bool {
				return fixed[c].Within(set) &&
					!slices.ContainsFunc(wires[:c], func(w word) bool { return w == set || near(w, set) })
			})
			if i < 0 { // the lanes of the others do not count
				i = slices.IndexFunc(sets, func(set word) bool {
					for o, w := range wires[:c] {
						if s.Chips[o].Lane == s.Chips[c].Lane && (w == set || near(w, set)) {
							return false
						}
					}
					return fixed[c].Within(set)
				})
			}
			if i < 0 {
				break
			}
			wires[c] = sets[i]
		}
		if slices.Contains(wires, 0) {
			continue
		}
		if c := s.candidate("sets far from each other", wires, work); !ok || c.cost < best.cost {
			best, ok = c, true
		}
		if best.cost <= goal {
			break
		}
	}
	return best, ok
}
