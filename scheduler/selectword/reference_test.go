package selectword

import (
	"errors"
	"math/bits"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/chipmodel"
	"pgregory.net/rapid"
)

// bruteForce goes through all words on the first lines and all subsets of the
// target; -1 where there is no cover. It shares nothing with the package but the
// definition of a reach.
func bruteForce(wires []chipmodel.LineSet, target []int, lines int, once bool,
	cost func(chipmodel.LineSet) int64) int64 {
	best := make([]int64, 1<<len(target)) // by set of target chips: least cost
	cheapest := map[int]int64{}           // by reach
	for word := range chipmodel.LineSet(1) << lines {
		set, outside := 0, false
		for chip, w := range wires {
			if w&word == w {
				if at := slices.Index(target, chip); at >= 0 {
					set |= 1 << at
				} else {
					outside = true
				}
			}
		}
		price := int64(1)
		if cost != nil {
			price = cost(word)
		}
		if old, ok := cheapest[set]; !outside && set != 0 && (!ok || price < old) {
			cheapest[set] = price
		}
	}
	for set := 1; set < len(best); set++ {
		best[set] = -1
		low := set & -set
		for reach, price := range cheapest {
			if reach&low == 0 || (once && reach&^set != 0) {
				continue
			}
			if rest := best[set&^reach]; rest >= 0 && (best[set] < 0 || rest+price < best[set]) {
				best[set] = rest + price
			}
		}
	}
	return best[len(best)-1]
}

// lineCost makes some lines dearer than others.
func lineCost(weights []int64) func(chipmodel.LineSet) int64 {
	return func(w chipmodel.LineSet) int64 {
		sum := int64(3)
		for _, line := range w.Lines() {
			sum += weights[line]
		}
		return sum
	}
}

func TestAgainstBruteForce(t *testing.T) {
	const seed = 20260211
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	covered, clashed, unreachable := 0, 0, 0
	for round := range 1500 {
		lines := 2 + rng.IntN(6)
		chips := 1 + rng.IntN(12)
		wires := make([]chipmodel.LineSet, chips)
		inputs := 1 + rng.IntN(3)
		for i := range wires {
			for range inputs { // may fall on one line: wires of all sizes, equal and nested ones
				wires[i] |= 1 << rng.IntN(lines)
			}
			if rng.IntN(40) == 0 {
				wires[i] = 0
			}
		}
		target := rng.Perm(chips)[:1+rng.IntN(chips)]
		if round%5 > 0 { // complete it to one that has a cover
			for i := 0; i < len(target); i++ {
				for _, chip := range New(wires).Reach(wires[target[i]]) {
					if !slices.Contains(target, chip) {
						target = append(target, chip)
					}
				}
			}
		}
		weights := make([]int64, lines)
		for i := range weights {
			weights[i] = rng.Int64N(5)
		}
		opt := Options{Once: round%2 == 1}
		if round%3 == 0 {
			opt.Cost = lineCost(weights)
		}
		want := bruteForce(wires, target, lines, opt.Once, opt.Cost)
		w := New(wires)
		got, err := w.Cover(target, opt)
		var clash *ClashError
		var blocked *UnreachableError
		switch {
		case errors.As(err, &clash):
			clashed++
			checkClash(t, wires, target, lines, clash.Chips)
		case errors.As(err, &blocked):
			unreachable++
			checkBlocked(t, w, target, blocked)
		case err != nil:
			t.Fatal(err)
		default:
			covered++
			checkCover(t, w, target, opt, got)
			if !got.Optimal || got.LowerBound != want {
				t.Fatalf("wires %v target %v once %v: bound %d optimal %v, brute force %d", wires, target, opt.Once,
					got.LowerBound, got.Optimal, want)
			}
		}
		if (err != nil) != (want < 0) {
			t.Fatalf("wires %v target %v once %v: error %v, brute force %d", wires, target, opt.Once, err, want)
		}
	}
	if covered < 400 || clashed < 20 || unreachable < 100 {
		t.Errorf("one-sided test: %d covered, %d clashed, %d unreachable", covered, clashed, unreachable)
	}
}

// checkClash sees that the chips explain themselves: without the other target
// chips (as if they were not there) they have no partition, and without any one of
// them they have.
func checkClash(t *testing.T, wires []chipmodel.LineSet, target []int, lines int, clash []int) {
	t.Helper()
	partition := func(chips []int) int64 {
		var rest []chipmodel.LineSet
		var own []int
		for i, w := range wires {
			if slices.Contains(chips, i) {
				own = append(own, len(rest))
			}
			if slices.Contains(chips, i) || !slices.Contains(target, i) {
				rest = append(rest, w)
			}
		}
		return bruteForce(rest, own, lines, true, nil)
	}
	if partition(clash) >= 0 {
		t.Errorf("wires %v target %v: chips %v do have a partition", wires, target, clash)
	}
	for i := range clash {
		if partition(slices.Delete(slices.Clone(clash), i, i+1)) < 0 {
			t.Errorf("wires %v target %v: chips %v clash without %d as well", wires, target, clash, clash[i])
		}
	}
}

func checkBlocked(t *testing.T, w *Wiring, target []int, e *UnreachableError) {
	t.Helper()
	var want []int
	for _, chip := range w.Reach(w.wires[e.Chip]) {
		if !slices.Contains(target, chip) {
			want = append(want, chip)
		}
	}
	if len(want) == 0 || !slices.Equal(want, e.Blocking) || !slices.Contains(target, e.Chip) {
		t.Errorf("error %v, blocking chips are %v", e, want)
	}
}

func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := rapid.IntRange(1, 64).Draw(t, "lines")
		drawWord := rapid.Custom(func(t *rapid.T) chipmodel.LineSet {
			var w chipmodel.LineSet
			for _, line := range rapid.SliceOfN(rapid.IntRange(0, lines-1), 1, 4).Draw(t, "wired") {
				w |= 1 << line
			}
			return w
		})
		wires := rapid.SliceOfN(drawWord, 1, 40).Draw(t, "wires")
		w := New(wires)
		small := drawWord.Draw(t, "small")
		large := small | drawWord.Draw(t, "more")
		for _, chip := range w.Reach(small) {
			if !slices.Contains(w.Reach(large), chip) {
				t.Fatalf("more lines lose chip %d", chip)
			}
		}
		target := w.Reach(large) // a target that one word reaches
		if len(target) > 0 {
			if c, err := w.Cover(target, Options{Once: true}); err != nil || len(c.Words) != 1 || !c.Optimal {
				t.Fatalf("target of one word %v: %d words, %v", large, len(c.Words), err)
			}
		}
		target = rapid.Permutation(indices(len(wires))).Draw(t, "order")[:rapid.IntRange(1, len(wires)).Draw(t, "size")]
		if rapid.IntRange(0, 4).Draw(t, "completed") > 0 { // to one that has a cover
			for i := 0; i < len(target); i++ {
				for _, chip := range w.Reach(wires[target[i]]) {
					if !slices.Contains(target, chip) {
						target = append(target, chip)
					}
				}
			}
		}
		opt := Options{Once: rapid.Bool().Draw(t, "once"), Work: rapid.SampledFrom([]int{0, 1, 100}).Draw(t, "work")}
		c, err := w.Cover(target, opt)
		again, _ := w.Cover(target, opt)
		if !slices.Equal(c.Words, again.Words) {
			t.Fatalf("not deterministic: %v, %v", c.Words, again.Words)
		}
		if err == nil {
			checkDefinition(t, wires, target, opt, c)
		}
	})
}

func indices(n int) []int {
	list := make([]int, n)
	for i := range list {
		list[i] = i
	}
	return list
}

// checkDefinition is checkCover for rapid: exactly the target, and once if asked.
func checkDefinition(t interface{ Fatalf(string, ...any) }, wires []chipmodel.LineSet, target []int, opt Options,
	c Cover) {
	for chip, w := range wires {
		times := 0
		for _, word := range c.Words {
			if w&^word == 0 {
				times++
			}
		}
		if (times > 0) != slices.Contains(target, chip) || (opt.Once && times > 1) {
			t.Fatalf("chip %d is reached %d times by %v", chip, times, c.Words)
		}
	}
	if c.LowerBound < 1 || c.LowerBound > int64(len(c.Words)) || c.Optimal != (c.LowerBound == int64(len(c.Words))) {
		t.Fatalf("%d words, bound %d, optimal %v", len(c.Words), c.LowerBound, c.Optimal)
	}
}

// gridWiring has a chip at every crossing of a line of each axis.
func gridWiring(sides ...int) *Wiring {
	wires := []chipmodel.LineSet{0}
	base := 0
	for _, side := range sides {
		var next []chipmodel.LineSet
		for _, w := range wires {
			for i := range side {
				next = append(next, w|1<<(base+i))
			}
		}
		wires, base = next, base+side
	}
	return New(wires)
}

// TestAllTargetsOfSmallGrids counts optima over every target. The histograms are
// from an exhaustive run of another program (derived before this package).
func TestAllTargetsOfSmallGrids(t *testing.T) {
	for _, c := range []struct {
		sides            []int
		cover, partition []int
	}{
		{[]int{2, 2}, []int{0, 9, 6}, []int{0, 9, 6}},
		{[]int{3, 3}, []int{0, 49, 306, 156}, []int{0, 49, 288, 174}},
		{[]int{2, 2, 3}, []int{0, 63, 834, 2304, 894}, []int{0, 63, 810, 2244, 978}},
	} {
		w := gridWiring(c.sides...)
		for _, once := range []bool{false, true} {
			want := c.cover
			if once {
				want = c.partition
			}
			got := make([]int, len(want))
			for set := 1; set < 1<<w.Chips(); set++ {
				var target []int
				for rest := uint(set); rest != 0; rest &= rest - 1 {
					target = append(target, bits.TrailingZeros(rest))
				}
				found, err := w.Cover(target, Options{Once: once})
				if err != nil || !found.Optimal {
					t.Fatalf("%v %v: %v, optimal %v", c.sides, target, err, found.Optimal)
				}
				got[len(found.Words)]++
			}
			if !slices.Equal(got, want) {
				t.Errorf("%v once=%v: histogram %v, want %v", c.sides, once, got, want)
			}
		}
	}
}

// TestMatrixRank compares with the real ranks of all 0/1 matrices of 3x3 and 4x4
// (derived with another program; the first numbers are 1 and (2^n-1)^2).
func TestMatrixRank(t *testing.T) {
	for n, want := range map[int][]int{3: {1, 49, 288, 174}, 4: {1, 225, 6750, 36000, 22560}} {
		got := make([]int, n+1)
		for set := range 1 << (n * n) {
			m := make([][]int64, n)
			for i := range m {
				m[i] = make([]int64, n)
				for j := range m[i] {
					m[i][j] = int64(set >> (i*n + j) & 1)
				}
			}
			got[matrixRank(m)]++
		}
		if !slices.Equal(got, want) {
			t.Errorf("%dx%d: %v, want %v", n, n, got, want)
		}
	}
}
