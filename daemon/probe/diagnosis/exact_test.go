package diagnosis

import (
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// On every word, a chip's shortest form says what the inputs say one by one; its
// smallest words make it listen and none of their parts does; and the compact reach of
// a hypothesis is the one worked out anew.
func TestShortestFormsAgainstEveryWord(t *testing.T) {
	a := bustest.MustArray()
	m, err := NewModel(a)
	if err != nil {
		t.Fatal(err)
	}
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	faults := m.Faults()
	lanes := len(a.Lanes)
	for range 400 {
		var set []Fault
		for range r.IntN(4) {
			f := faults[r.IntN(len(faults))]
			if !slices.ContainsFunc(set, f.contradicts) {
				set = append(set, f)
			}
		}
		h := m.hypothesis(set...)
		chip := r.IntN(len(a.Chips))
		clauses, never := m.clauses(set, chip)
		words := smallest(clauses)
		quick, slow, good := make([]uint64, lanes), make([]uint64, lanes), make([]uint64, lanes)
		for w := range chipmodel.LineSet(1) << len(a.Lines) {
			listens := m.listens(set, chip, net(set, w))
			if listens != (!never && holds(clauses, w)) {
				t.Fatalf("seed %d: %v: chip %d under %b: clauses %b, never %v, listens %v", seed, set, chip, w, clauses,
					never, listens)
			}
			if some := slices.ContainsFunc(words, func(v chipmodel.LineSet) bool { return v.Within(w) }); !never &&
				some != listens {
				t.Fatalf("seed %d: %v: chip %d under %b: smallest words %b, listens %v", seed, set, chip, w, words,
					listens)
			}
			m.wired(w, good)
			m.reached(&h, w, good, quick)
			if m.reach(set, w, slow); !slices.Equal(quick, slow) {
				t.Fatalf("seed %d: %v under %b: %b, want %b", seed, set, w, quick, slow)
			}
		}
		for _, v := range words {
			for w := range linesOut(slices.Values([]chipmodel.LineSet{v})) {
				if !never && holds(clauses, w) {
					t.Fatalf("seed %d: %v: %b is not smallest, %b does as well", seed, set, v, w)
				}
			}
		}
	}
}

// For any two lines, one bisection holds the first without the second.
func TestBisectionsSeparate(t *testing.T) {
	for _, lines := range []int{1, 2, 3, 10, 64} {
		sets := bisections(lines)
		for i := range lines {
			for j := range lines {
				if i != j && !slices.ContainsFunc(sets,
					func(s chipmodel.LineSet) bool { return s.Has(i) && !s.Has(j) }) {
					t.Errorf("of %d lines, %d and %d are never apart", lines, i, j)
				}
			}
		}
	}
}
