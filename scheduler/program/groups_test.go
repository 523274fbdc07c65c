package program

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"facetd.example/chipmodel"
)

// fewestGroups tries every way to put the chips into groups that can be read under
// one word, at most one chip a lane; -1 where there is none.
func fewestGroups(a *chipmodel.Array, chips []int) int {
	best := -1
	var place func(i int, groups [][]int)
	place = func(i int, groups [][]int) {
		if i == len(chips) {
			for _, g := range groups {
				var word chipmodel.LineSet
				for _, c := range g {
					word |= a.Chips[c].Wires
				}
				// Whatever listens as well must have a lane of its own.
				lanes := map[int]bool{}
				for _, c := range a.Reach(word) {
					if lanes[a.Chips[c].Lane] {
						return
					}
					lanes[a.Chips[c].Lane] = true
				}
			}
			if best < 0 || len(groups) < best {
				best = len(groups)
			}
			return
		}
		for k, g := range groups {
			free := true
			for _, c := range g {
				free = free && a.Chips[c].Lane != a.Chips[chips[i]].Lane
			}
			if free {
				groups[k] = append(g[:len(g):len(g)], chips[i])
				place(i+1, groups)
				groups[k] = g
			}
		}
		place(i+1, append(groups[:len(groups):len(groups)], []int{chips[i]}))
	}
	place(0, nil)
	return best
}

// TestReadGroups: with two lanes the chips are read in the fewest groups, and
// where none are found none exist.
func TestReadGroups(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	seen := map[bool]int{}
	for i := range 400 {
		a := &chipmodel.Array{Lanes: make([]chipmodel.Lane, 2)}
		n := 2 + r.IntN(6)
		for c := range n {
			var wires chipmodel.LineSet
			for range 1 + r.IntN(3) {
				wires |= 1 << r.IntN(5)
			}
			a.Chips = append(a.Chips, chipmodel.Chip{Name: fmt.Sprint("c", c), Index: c, Wires: wires, Lane: r.IntN(2)})
		}
		var chips []int
		for c := range n {
			if r.IntN(4) > 0 {
				chips = append(chips, c)
			}
		}
		if len(chips) == 0 {
			continue
		}
		want := fewestGroups(a, chips)
		groups, unread := readGroups(a, newListeners(a), chips)
		seen[want > 0]++
		if want < 0 {
			if unread < 0 {
				t.Fatalf("case %d: groups %v of chips that cannot be read apart", i, groups)
			}
			continue
		}
		if unread >= 0 || len(groups) != want {
			t.Fatalf("case %d: %d groups %v (unread %d), %d are enough", i, len(groups), groups, unread, want)
		}
		had := map[int]bool{}
		for _, g := range groups {
			for _, c := range g {
				if had[c] {
					t.Fatalf("case %d: chip %d is read twice", i, c)
				}
				had[c] = true
			}
		}
		if len(had) != len(chips) {
			t.Fatalf("case %d: %v are read of %v", i, groups, chips)
		}
	}
	if seen[true] < 30 || seen[false] < 30 {
		t.Errorf("the draw is one-sided: %v", seen)
	}
}
