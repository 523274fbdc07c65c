package diagnosis_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/daemon/probe/diagnosis"
)

// smallArray makes an array of a few lines and chips on two lanes, wired at random;
// the wires of a chip may be a subset of those of one on the other lane.
func smallArray(t *testing.T, r *rand.Rand) *chipmodel.Array {
	t.Helper()
	for range 1000 {
		if a, m := chipmodel.New(smallMessage(r)); len(m) == 0 {
			return a
		}
	}
	t.Fatal("no array that can be read")
	return nil
}

func smallMessage(r *rand.Rand) *facetdv1.Array {
	m := bustest.Message()
	lines := 2 + r.IntN(4)
	m.SelectLines, m.Groups = nil, nil
	for i := range lines {
		m.SelectLines = append(m.SelectLines, fmt.Sprintf("l%d", i))
	}
	m.Chips = m.Chips[:2+r.IntN(4)]
	for i, c := range m.Chips {
		c.Name, c.Class, c.Selects = fmt.Sprintf("c%d", i), "mem", nil
		for _, l := range r.Perm(lines)[:1+r.IntN(min(lines, 3))] {
			c.Selects = append(c.Selects, m.SelectLines[l])
		}
		c.Lane = []string{"a", "b"}[i%2]
	}
	m.Classes = slices.DeleteFunc(m.Classes, func(c *facetdv1.ChipClass) bool { return c.Name != "mem" })
	return m
}

// partition splits all single faults, and no fault, with every safe pair of words
// until none splits a class any more.
func partition(refs []*reference) [][]int {
	all := make([]int, len(refs))
	for i := range all {
		all[i] = i
	}
	open, done := [][]int{all}, [][]int(nil)
	for len(open) > 0 {
		class := open[0]
		open = open[1:]
		if parts := splitOnce(refs, class); parts != nil {
			open = append(open, parts...)
		} else {
			done = append(done, class)
		}
	}
	return done
}

func splitOnce(refs []*reference, class []int) [][]int {
	for u := range refs[0].words {
		if refs[0].clash(u) || slices.ContainsFunc(class, func(h int) bool { return refs[h].clash(u) }) {
			continue
		}
		for w := range refs[0].words {
			first := refs[class[0]].code(u, w)
			if !slices.ContainsFunc(class[1:], func(h int) bool { return refs[h].code(u, w) != first }) {
				continue
			}
			parts := map[uint64][]int{}
			var order []uint64
			for _, h := range class {
				says := refs[h].code(u, w)
				if parts[says] == nil {
					order = append(order, says)
				}
				parts[says] = append(parts[says], h)
			}
			var out [][]int
			for _, says := range order {
				out = append(out, parts[says])
			}
			return out
		}
	}
	return nil
}

// On small arrays the planner that makes safe readouts only ends in exactly the
// classes that trying every pair of words until nothing splits ends in.
func TestSafeClassesAgainstEveryPairOfWords(t *testing.T) {
	t.Parallel()
	r, seed := seeded(t)
	several := 0
	for round := range peertest.Cases(30, 120) {
		a := smallArray(t, r)
		p, err := diagnosis.New(a, diagnosis.Options{Strict: true})
		if err != nil {
			t.Fatal(err)
		}
		hyps := [][]diagnosis.Fault{{}}
		for _, f := range p.Faults() {
			hyps = append(hyps, []diagnosis.Fault{f})
		}
		refs := references(a, hyps)
		classOf := make([]string, len(hyps))
		for _, class := range partition(refs) {
			var sets [][]diagnosis.Fault
			for _, h := range class {
				sets = append(sets, hyps[h])
			}
			for _, h := range class {
				classOf[h] = key(sets)
			}
			if len(class) > 1 {
				several++
			}
		}
		for h, set := range hyps {
			s := p.Start()
			for e, done := p.Next(s); !done; e, done = p.Next(s) {
				o := p.Observe(set, e)
				if o.Contending != nil || len(e.Risks) > 0 {
					t.Fatalf("seed %d round %d: %v contends in %+v", seed, round, set, e)
				}
				s = p.Update(s, e, o.Levels)
			}
			if got := key(p.Consistent(s)); got != classOf[h] {
				t.Fatalf("seed %d round %d: %v ends in %v, want %v", seed, round, set, got, classOf[h])
			}
		}
	}
	if several == 0 {
		t.Error("no class has several faults: the arrays are too much alike")
	}
}

// On small arrays, whatever the pair of faults is, a thorough probe keeps it, and what
// it keeps is what explains every safe readout made, by the reference.
func TestDoubleFaultsOnSmallArrays(t *testing.T) {
	t.Parallel()
	r, seed := seeded(t)
	for round := range peertest.Cases(6, 24) {
		a := smallArray(t, r)
		p, err := diagnosis.New(a, diagnosis.Options{Thorough: true})
		if err != nil {
			t.Fatal(err)
		}
		faults := p.Faults()
		var pairs [][]diagnosis.Fault
		for i, f := range faults {
			for _, g := range faults[i+1:] {
				if set := []diagnosis.Fault{f, g}; !contradictory(set) {
					pairs = append(pairs, set)
				}
			}
		}
		refs := references(a, pairs)
		for range 25 {
			groundTruth := r.IntN(len(pairs))
			s := p.Start()
			left := slices.Clone(refs)
			for e, done := p.Next(s); !done; e, done = p.Next(s) {
				s = p.Update(s, e, p.Observe(pairs[groundTruth], e).Levels)
				enable, truth := int(e.Enable), refs[groundTruth]
				for i, ref := range left {
					for _, readout := range e.Readouts {
						w := int(readout)
						if ref != nil && ref.code(enable, w) != truth.code(enable, w) {
							left[i] = nil
							break
						}
					}
				}
			}
			var want [][]diagnosis.Fault
			for i, ref := range left {
				if ref != nil {
					want = append(want, pairs[i])
				}
			}
			got := slices.DeleteFunc(p.Consistent(s), func(set []diagnosis.Fault) bool { return len(set) < 2 })
			if key(got) != key(want) {
				t.Fatalf("seed %d round %d: %v leaves %v, want %v", seed, round, pairs[groundTruth], got, want)
			}
		}
	}
}
