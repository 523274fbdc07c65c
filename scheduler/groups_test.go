package scheduler

import (
	"fmt"
	"math/big"
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
				if len(a.Reach(word)) != len(g) {
					return
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

// TestExactCadence: the hyperperiod is the least time that holds whole jobs of
// every task and is a whole number of nanoseconds (worked out by hand).
func TestExactCadence(t *testing.T) {
	for _, c := range []struct {
		rates []float64
		want  time.Duration // 0: longer than a minute
		jobs  []int64
	}{
		{[]float64{15, 20}, 200 * time.Millisecond, []int64{3, 4}},
		{[]float64{15}, 200 * time.Millisecond, []int64{3}}, // 3 periods of 66666666 2/3 ns
		{[]float64{3, 7}, time.Second, []int64{3, 7}},
		{[]float64{0.1, 50}, 10 * time.Second, []int64{1, 500}},
		{[]float64{12.5, 30}, 400 * time.Millisecond, []int64{5, 12}},
		{[]float64{29.97}, 0, nil}, // 100/2997 s: 100 s hold 2997 of them
	} {
		var periods []*big.Rat
		deadlines := make([]time.Duration, len(c.rates))
		for _, r := range c.rates {
			periods = append(periods, periodOf(r))
		}
		got, ok := exactCadence(periods, deadlines, time.Minute, 20000)
		if ok != (c.want > 0) {
			t.Errorf("%v: %v %v", c.rates, got, ok)
			continue
		}
		if ok && (got.hyperperiod != int64(c.want) || fmt.Sprint(got.jobs) != fmt.Sprint(c.jobs)) {
			t.Errorf("%v: %d ns, jobs %v; expected %v, %v", c.rates, got.hyperperiod, got.jobs, c.want, c.jobs)
		}
	}
}

// TestSnappedCadence: no rate falls, and the table stays small even for rates very
// far apart.
func TestSnappedCadence(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	for range 500 {
		var periods []*big.Rat
		var deadlines, costs []time.Duration
		for range 1 + r.IntN(6) {
			p := int64(1000) << r.IntN(30)
			periods = append(periods, big.NewRat(p+r.Int64N(p), 1))
			deadlines = append(deadlines, time.Duration(p))
			costs = append(costs, time.Duration(1+r.IntN(500)))
		}
		c, ok := snappedCadence(periods, deadlines, costs, 1000)
		if !ok || c.total() > 1000 {
			t.Fatalf("%v: %d jobs", periods, c.total())
		}
		for i, p := range periods {
			asked, _ := p.Float64()
			if real := float64(c.hyperperiod) / float64(c.jobs[i]); real > asked {
				t.Fatalf("%v: period %v became %v", periods, asked, real)
			}
			for k := range c.jobs[i] {
				if c.release(i, k+1)-c.release(i, k) < c.window(i) || c.deadline(i, k) > c.release(i, k+1) {
					t.Fatalf("%v: job %d of task %d has the window %d to %d", periods, k, i, c.release(i, k), c.deadline(i, k))
				}
			}
		}
	}
}
