package wiring

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel"
)

// shows is what every pair of words shows of the lanes, by the definition, when the host drives one line in the place
// of another.
func shows(wires []chipmodel.LineSet, lanes []int, lines int, drive func(word) word) string {
	out := ""
	for u := range word(1) << lines {
		for w := range word(1) << lines {
			driven := map[int]bool{}
			for c, wired := range wires {
				if wired.Within(drive(u)) && wired.Within(drive(w)) {
					driven[lanes[c]] = true
				}
			}
			out += fmt.Sprint(driven[0], driven[1])
		}
	}
	return out
}

// TestHiddenSwapsAgainstEveryPairOfWords: on random small wirings a swap is called hidden exactly where no enabling and
// reading word shows it.
func TestHiddenSwapsAgainstEveryPairOfWords(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	found := map[bool]int{}
	for round := range 60 {
		lines, inputs := 3+r.IntN(2), 1+r.IntN(2)
		sets := lexicographic(1<<8, lines, inputs)
		var wires []chipmodel.LineSet
		var lanes []int
		for lane := range 2 {
			for _, k := range r.Perm(len(sets))[:1+r.IntN(min(3, len(sets)))] {
				wires, lanes = append(wires, sets[k]), append(lanes, lane)
			}
		}
		h := HiddenBy(wires, lanes, lines)
		same := func(w word) word { return w }
		good := shows(wires, lanes, lines, same)
		var used word
		for _, w := range wires {
			used |= w
		}
		for l := range lines {
			for m := l + 1; m < lines; m++ {
				swap := func(w word) word {
					if w.Has(l) != w.Has(m) {
						w ^= 1<<uint(l) | 1<<uint(m)
					}
					return w
				}
				want := good == shows(wires, lanes, lines, swap) && (used.Has(l) || used.Has(m))
				found[want]++
				if got := slices.Contains(h.Swaps, [2]int{l, m}); got != want {
					t.Fatalf("seed %d round %d: wires %v on %v: swap of %d and %d hidden %v, want %v", seed, round,
						wires,
						lanes, l, m, got, want)
				}
			}
		}
	}
	if found[true] < 10 || found[false] < 10 {
		t.Errorf("the draw is one-sided: %v", found)
	}
}

// TestHiddenShorts: chips of one lane that differ in one line each, on another lane not.
func TestHiddenShorts(t *testing.T) {
	h := HiddenBy([]chipmodel.LineSet{0b011, 0b101, 0b110, 0b11000}, []int{0, 0, 1, 0}, 5)
	want := []Short{{Chips: [2]int{0, 1}, Lines: [2]int{1, 2}}}
	if !slices.Equal(h.Shorts, want) {
		t.Errorf("%v, want %v", h.Shorts, want)
	}
}

// TestHideNone: a design that is to hide nothing hides nothing, reads every chip, and costs no less than one that may;
// where there is none, that is said.
func TestHideNone(t *testing.T) {
	var chips []Chip
	for c := range 8 {
		chips = append(chips, Chip{Lane: c % 2})
	}
	spec := Spec{Chips: chips, Lines: 7, Inputs: 3, Seed: 1, Groups: []Group{
		{Chips: []int{0, 1, 2, 3}, Weight: 5}, {Chips: []int{4, 5, 6, 7}, Weight: 3}, {Chips: []int{0, 4}, Weight: 1},
	}}
	lanes := make([]int, len(chips))
	for c := range chips {
		lanes[c] = chips[c].Lane
	}
	free, err := Design(spec)
	if err != nil {
		t.Fatal(err)
	}
	spec.HideNone = true
	r, err := Design(spec)
	if err != nil {
		t.Fatal(err)
	}
	if h := HiddenBy(r.Wires, lanes, r.Lines); len(h.Swaps)+len(h.Shorts) > 0 {
		t.Errorf("%v hides %+v", r.Wires, h)
	}
	if r.Cost < free.LowerBound || r.LowerBound > r.Cost {
		t.Errorf("costs %d (bound %d), without the wish %d", r.Cost, r.LowerBound, free.Cost)
	}
	t.Logf("cost %d, %d where something may be hidden", r.Cost, free.Cost)
	// As many chips as the demo has, on as many lines: the groups that they need cost more.
	big := Spec{Lines: 10, Inputs: 3, Seed: 1, HideNone: true}
	var all []int
	for c := range 19 {
		big.Chips, all = append(big.Chips, Chip{Lane: c % 2}), append(all, c)
	}
	big.Groups = []Group{{Chips: all, Weight: 1}, {Chips: all[:12], Weight: 10}, {Chips: all[12:16], Weight: 4}}
	if r, err = Design(big); err != nil {
		t.Fatal(err)
	}
	lanes = nil
	for _, c := range big.Chips {
		lanes = append(lanes, c.Lane)
	}
	if h := HiddenBy(r.Wires, lanes, r.Lines); len(h.Swaps)+len(h.Shorts) > 0 {
		t.Errorf("%v hides %+v", r.Wires, h)
	}
	big.HideNone = false
	if free, err = Design(big); err != nil || free.Cost > r.Cost {
		t.Errorf("without the wish %d, with it %d: %v", free.Cost, r.Cost, err)
	}
	t.Logf("nineteen chips: cost %d, %d where something may be hidden", r.Cost, free.Cost)
	// With one input each, two chips of a lane always differ in one line each.
	spec = Spec{Chips: []Chip{{Lane: 0}, {Lane: 0}}, Lines: 4, Inputs: 1, HideNone: true}
	var none *NoWiringError
	if _, err := Design(spec); !errors.As(err, &none) || !none.Proved {
		t.Errorf("%v, want that there is none", err)
	}
}
