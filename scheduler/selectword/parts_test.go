package selectword

import (
	"math"
	"math/bits"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"
)

// instanceOf is a covering problem and its largest part.
func instanceOf(t *testing.T, w *Wiring, inside []bool) (*instance, *part) {
	t.Helper()
	in := newInstance(w, inside, Options{Work: math.MaxInt})
	in.elems = maximalSets(in.elems)
	parts := in.parts()
	if len(parts) == 0 {
		t.Fatal("nothing to cover")
	}
	largest := slices.MaxFunc(parts, func(a, b part) int { return len(a.elems) - len(b.elems) })
	return in, &largest
}

// random leaves out some chips of a grid: those are what no word may hold.
func random(t *testing.T, rng *rand.Rand, sides ...int) (*instance, *part) {
	t.Helper()
	w := gridWiring(sides...)
	inside := make([]bool, len(w.wires))
	for i := range inside {
		inside[i] = rng.IntN(4) > 0
	}
	return instanceOf(t, w, inside)
}

// TestStartsOfGreedySteps: as many as may be compared in about a quarter of a million steps, but at least one and at
// most 64.
func TestStartsOfGreedySteps(t *testing.T) {
	for n := 1; n <= 2000; n++ {
		got := tries(n)
		if got < 1 || got > 64 || got > 1 && got*n*n > 1<<18 || got < 64 && (got+1)*n*n <= 1<<18 {
			t.Fatalf("%d elements: %d starts", n, got)
		}
	}
}

// TestPairsByDefinition: two open elements fit where every word for both holds open ones alone; the set that is counted
// has no two that fit, and for few elements both ways of counting agree.
func TestPairsByDefinition(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 3))
	for _, sides := range [][]int{{10, 9}, {5, 5, 4}, {6, 6}, {4, 3, 3}, {12, 12}} {
		in, p := random(t, rng, sides...)
		n := len(p.elems)
		q := in.newPairs(p)
		for range 6 {
			open := make([]uint64, p.stride)
			var members []int
			for i := range n {
				if rng.IntN(3) > 0 {
					setBit(open, i)
					members = append(members, i)
				}
			}
			fit := func(i, j int) bool {
				word := p.elems[i] | p.elems[j]
				if !in.allowed(word) {
					return false
				}
				for k, e := range p.elems {
					if e.Within(word) && !hasBit(open, k) {
						return false
					}
				}
				return true
			}
			size, tightest := q.fooling(open, n)
			// The greedy rule in plain words: whoever fits with fewest of those left, and away with all that fit with
			// it.
			left, want, first := slices.Clone(members), 0, -1
			for len(left) > 0 {
				pick, fewest := -1, n+1
				for _, i := range left {
					fits := 0
					for _, j := range left {
						if i != j && fit(i, j) {
							fits++
						}
					}
					if fits < fewest {
						pick, fewest = i, fits
					}
				}
				if first < 0 {
					first = pick
				}
				left = slices.DeleteFunc(left, func(j int) bool { return j == pick || fit(pick, j) })
				want++
			}
			if size != want || tightest != first {
				t.Errorf("%v: %d open: %d apart, the tightest is %d; want %d, %d", sides, len(members), size, tightest,
					want, first)
			}
			for enough := range want + 1 {
				if got, _ := q.fooling(open, enough); got != min(enough+1, want) {
					t.Errorf("%v: counted to %d of %d where %d are enough", sides, got, want, enough)
				}
			}
			if p.stride == 1 {
				var before, fits [64]uint64
				for i := range before {
					before[i] = math.MaxUint64
				}
				got, at := q.foolingSmall(open[0], n, &before, &fits)
				if got != want || at != first {
					t.Errorf("%v: of few elements %d, %d; want %d, %d", sides, got, at, want, first)
				}
				for _, i := range members {
					if bits.OnesCount64(fits[i]) != countOf(members, func(j int) bool { return i != j && fit(i, j) }) {
						t.Errorf("%v: element %d fits with %b", sides, i, fits[i])
					}
				}
			}
		}
	}
}

func countOf(of []int, is func(int) bool) (n int) {
	for _, i := range of {
		if is(i) {
			n++
		}
	}
	return n
}

// TestSetsThatAgreeBelow compares with going through all members.
func TestSetsThatAgreeBelow(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 2000 {
		a := []uint64{rng.Uint64(), rng.Uint64(), rng.Uint64()}
		b := slices.Clone(a)
		for range rng.IntN(3) {
			b[rng.IntN(3)] ^= 1 << rng.IntN(64)
		}
		i := rng.IntN(192)
		want := true
		for k := range i {
			want = want && hasBit(a, k) == hasBit(b, k)
		}
		if got := sameBelow(a, b, i); got != want {
			t.Fatalf("%x and %x below %d: %v", a, b, i, got)
		}
	}
	set := []uint64{^uint64(0), ^uint64(0)}
	clearBit(set, 70)
	if set[0] != ^uint64(0) || set[1] != ^uint64(1<<6) {
		t.Errorf("without 70: %x", set)
	}
}

// TestPricesThatCanBeUsed: no others than numbers, and none below 0 where a row may be covered twice.
func TestPricesThatCanBeUsed(t *testing.T) {
	for once, want := range map[bool][]float64{false: {0, 0, 0, 0, 2}, true: {0, 0, 0, -1, 2}} {
		pr := problem{once: once}
		if got := pr.usable([]float64{math.NaN(), math.Inf(1), math.Inf(-1), -1, 2}); !slices.Equal(got, want) {
			t.Errorf("once %v: %v", once, got)
		}
	}
}

// TestWhatANodeLooksAt: the row with fewest columns, by its number among more than 64, and the bound of equal parts; a
// row that no column holds ends a node.
func TestWhatANodeLooksAt(t *testing.T) {
	const rows = 100
	pr := &problem{rows: rows}
	for r := range rows {
		for range 2 {
			c := column{has: make([]uint64, 2), cost: 4}
			for k := range 4 {
				setBit(c.has, (r+k)%rows)
			}
			pr.cols = append(pr.cols, c)
		}
	}
	avail := make([]int32, 0, len(pr.cols))
	for i := range pr.cols {
		if i != 2*90 { // a column less for rows 90 to 93, and a second for row 93
			avail = append(avail, int32(i))
		}
	}
	avail = slices.DeleteFunc(avail, func(i int32) bool { return i == 2*93 })
	s := &search{pr: pr, dual: &dual{scale: 1 << 10}, tally: make([]int32, rows), part: make([]int64, rows)}
	// Each row is in columns of four rows that cost 4: at least 1 for each.
	if row, bound := s.inspect(fullSet(rows), avail); row != 93 || bound != rows {
		t.Errorf("row %d, bound %d", row, bound)
	}
	avail = slices.DeleteFunc(avail, func(i int32) bool { return hasBit(pr.cols[i].has, 77) })
	if row, _ := s.inspect(fullSet(rows), avail); row != -1 {
		t.Errorf("row 77 is in no column, row %d is told", row)
	}
}

// TestNothingBelowTheGoal: once an answer is as good as any can be, no node costs work.
func TestNothingBelowTheGoal(t *testing.T) {
	pr := &problem{rows: 6}
	avail := []int32{}
	for r := range 6 {
		pr.cols = append(pr.cols, column{has: []uint64{1 << r}, cost: 1})
		avail = append(avail, int32(r))
	}
	in := &instance{work: 1000}
	s := &search{in: in, pr: pr, dual: &dual{scale: 1, price: make([]int64, 6)}, cost: 9, goal: 9,
		banned: make([]int, 6), tally: make([]int32, 6), part: make([]int64, 6)}
	if !s.node(fullSet(6), avail, 0) || in.work != 1000 {
		t.Errorf("work left at the goal: %d", in.work)
	}
	s.goal = 8
	if !s.node(fullSet(6), avail, 0) || in.work == 1000 || s.cost != 6 {
		t.Errorf("work left above it: %d, cost %d", in.work, s.cost)
	}
}

// TestSlicesAreJoined: where nothing is forbidden all slices become one piece.
func TestSlicesAreJoined(t *testing.T) {
	w := gridWiring(6, 5)
	inside := slices.Repeat([]bool{true}, len(w.wires))
	in, p := instanceOf(t, w, inside)
	for _, colour := range p.splits() {
		if got := in.slicewise(p, colour); len(got) != 1 || count(got[0].has) != len(p.elems) {
			t.Errorf("%d pieces", len(got))
		}
	}
}

// TestColumnsAreBounded: a list that is full is not called complete.
func TestColumnsAreBounded(t *testing.T) {
	in, p := random(t, rand.New(rand.NewPCG(2, 2)), 5, 5)
	e := &lineBranching{in: in, p: p, found: make([]column, maxColumns)}
	words, complete := in.maximalWords(p)
	if !complete || len(words) == 0 {
		t.Fatal("no words")
	}
	live := []int32{}
	for i := range members(words[0].has) {
		live = append(live, int32(i))
	}
	if e.leaf(words[0].word, live) || len(e.found) != maxColumns {
		t.Errorf("%d columns are called complete", len(e.found))
	}
}

// TestOrdersOfPeeling: no more orders of a cover are tried than may be, also where many that begin alike are given up
// together.
func TestOrdersOfPeeling(t *testing.T) {
	in, p := random(t, rand.New(rand.NewPCG(5, 5)), 6, 6)
	words := in.greedyCover(p)
	for _, most := range []int{1, 7, 64} {
		// Nothing is better than an answer of no more words than one, so that every order is given up at once.
		e := &peeling{in: in, p: p, most: most, best: make([]column, len(words)+1)}
		for _, c := range words {
			e.cover = append(e.cover, c.has)
		}
		taken := make([]column, len(words)+1) // already as many
		all := 1
		for i := range words {
			all *= i + 1
		}
		if more := e.from(0, p.full, taken); e.orders != min(most, all) || more != (all < most) {
			t.Errorf("%d orders of %d words, at most %d; more to come: %v", e.orders, len(words), most, more)
		}
	}
}
