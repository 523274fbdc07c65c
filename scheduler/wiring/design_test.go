package wiring

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"testing"

	"facetd.example/api/invalid"
	"facetd.example/scheduler/selectword"
)

// known is testdata/known.json; its source stands in the file.
type known struct {
	Steiner []struct {
		Lines, Chips       int
		Blocks             [][]int
		TriplesSingleWords int `json:"triples_single_word"`
	}
	Grids []struct {
		Sides            []int
		Lines, Chips     int
		PairsSingleWords int `json:"pairs_single_word"`
	}
	MaxChips   []struct{ Lines, Chips int } `json:"max_chips_all_pairs"`
	MostSingle []struct {
		Name         string
		Chips, Lines int
		Groups       [][]int
		Single       *int // nil where no wiring exists
	} `json:"most_single"`
}

func loadKnown(t testing.TB) known {
	t.Helper()
	text, err := os.ReadFile("testdata/known.json")
	if err != nil {
		t.Fatal(err)
	}
	var k known
	if err := json.Unmarshal(text, &k); err != nil {
		t.Fatal(err)
	}
	if len(k.Steiner) != 4 || len(k.Grids) != 3 || len(k.MaxChips) != 4 || len(k.MostSingle) != 7 {
		t.Fatalf("incomplete: %d %d %d %d", len(k.Steiner), len(k.Grids), len(k.MaxChips), len(k.MostSingle))
	}
	return k
}

// oneWord says by the definition whether some word reaches exactly a group.
func oneWord(wires []word, group []int) bool {
	var union word
	for _, c := range group {
		union |= wires[c]
	}
	for c, w := range wires {
		if w&union == w && !slices.Contains(group, c) {
			return false
		}
	}
	return true
}

// pairs are the groups of every two of n chips, with weight 1.
func pairs(n int) []Group {
	var groups []Group
	for b := range n {
		for a := range b {
			groups = append(groups, Group{Chips: []int{a, b}, Weight: 1})
		}
	}
	return groups
}

func groupsOf(lists [][]int) []Group {
	groups := make([]Group, len(lists))
	for i, chips := range lists {
		groups[i] = Group{Chips: chips, Weight: 1}
	}
	return groups
}

// checkResult judges a result by the definitions.
func checkResult(t testing.TB, spec Spec, r Result) {
	t.Helper()
	if len(r.Wires) != len(spec.Chips) || len(r.Words) != len(spec.Groups) {
		t.Fatalf("%d wires, %d words", len(r.Wires), len(r.Words))
	}
	for c, w := range r.Wires {
		if w.Len() != spec.Inputs || w>>r.Lines != 0 {
			t.Errorf("chip %d is wired to %v on %d lines", c, w, r.Lines)
		}
		for _, line := range spec.Chips[c].Fixed {
			if w>>line&1 == 0 {
				t.Errorf("chip %d lost its wire to line %d", c, line)
			}
		}
		for other := range c {
			if r.Wires[other] == w && spec.Chips[other].Lane == spec.Chips[c].Lane {
				t.Errorf("chips %d and %d cannot be read apart", other, c)
			}
		}
	}
	for g, group := range spec.Groups {
		if oneWord(r.Wires, group.Chips) != (r.Words[g] == 1) {
			t.Errorf("group %d needs %d words", g, r.Words[g])
		}
		cover, err := selectword.New(r.Wires).Cover(group.Chips, selectword.Options{Once: group.Once})
		if err != nil || len(cover.Words) != r.Words[g] {
			t.Errorf("group %d: %d words said, %d found, %v", g, r.Words[g], len(cover.Words), err)
		}
	}
	if r.Found == "" {
		t.Error("no origin")
	}
}

func TestSteinerSystems(t *testing.T) {
	for v := 7; v <= 63; v++ {
		blocks := steiner(v)
		if v%6 != 1 && v%6 != 3 {
			if blocks != nil {
				t.Errorf("%d lines: a system that cannot be", v)
			}
			continue
		}
		seen := map[word]int{}
		for _, b := range blocks {
			lines := b.Lines()
			if len(lines) != 3 || lines[2] >= v {
				t.Fatalf("%d lines: block %v", v, b)
			}
			for i := range 3 {
				for j := range i {
					seen[1<<lines[i]|1<<lines[j]]++
				}
			}
		}
		if len(blocks) != v*(v-1)/6 || len(seen) != v*(v-1)/2 {
			t.Errorf("%d lines: %d blocks hold %d pairs", v, len(blocks), len(seen))
		}
	}
}

// TestKnownFamilies counts, in the listed systems and in ours, the pairs and
// triples of chips that one word reaches.
func TestKnownFamilies(t *testing.T) {
	k := loadKnown(t)
	for _, s := range k.Steiner {
		listed := make([]word, len(s.Blocks))
		for i, b := range s.Blocks {
			for _, line := range b {
				listed[i] |= 1 << line
			}
		}
		if single := countTriples(listed); single != s.TriplesSingleWords {
			t.Errorf("%d lines: %d triples in the listed system, want %d", s.Lines, single, s.TriplesSingleWords)
		}
		for _, g := range pairs(s.Chips) {
			if !oneWord(steiner(s.Lines), g.Chips) {
				t.Fatalf("%d lines: pair %v needs two words", s.Lines, g.Chips)
			}
		}
	}
	for _, g := range k.Grids {
		wires := coordinates(g.Sides)
		single := 0
		for _, p := range pairs(g.Chips) {
			if oneWord(wires, p.Chips) {
				single++
			}
		}
		if single != g.PairsSingleWords {
			t.Errorf("grid %v: %d pairs of one word, want %d", g.Sides, single, g.PairsSingleWords)
		}
	}
}

func countTriples(wires []word) int {
	n := 0
	for a := range wires {
		for b := range a {
			for c := range b {
				if oneWord(wires, []int{a, b, c}) {
					n++
				}
			}
		}
	}
	return n
}

func TestAllPairsOnFewestLines(t *testing.T) {
	k := loadKnown(t)
	for _, s := range k.Steiner {
		spec := Spec{Chips: make([]Chip, s.Chips), Groups: pairs(s.Chips), Lines: 20, Inputs: 3}
		r, err := FewestLines(spec)
		if err != nil {
			t.Fatal(err)
		}
		checkResult(t, spec, r)
		if r.Lines != s.Lines || !r.Proved || r.Cost != 0 {
			t.Errorf("%d chips: %d lines, proved %v, want %d", s.Chips, r.Lines, r.Proved, s.Lines)
		}
	}
	for _, m := range k.MaxChips {
		fits := Spec{Chips: make([]Chip, m.Chips), Groups: pairs(m.Chips), Lines: m.Lines, Inputs: 3, Aim: MostSingle}
		r, err := Design(fits)
		if err != nil || r.Cost != 0 || !r.Proved {
			t.Errorf("%d chips on %d lines: %+v, %v", m.Chips, m.Lines, r, err)
		}
		more := Spec{Chips: make([]Chip, m.Chips+1), Groups: pairs(m.Chips + 1), Lines: m.Lines, Inputs: 3}
		var none *NoWiringError
		if _, err := FewestLines(more); !errors.As(err, &none) || !none.Proved {
			t.Errorf("%d chips on %d lines: %v, want a proof that there is none", m.Chips+1, m.Lines, err)
		}
	}
}

func TestMostSingleWords(t *testing.T) {
	for _, k := range loadKnown(t).MostSingle {
		spec := Spec{Chips: make([]Chip, k.Chips), Groups: groupsOf(k.Groups), Lines: k.Lines, Inputs: 3,
			Aim: MostSingle}
		r, err := Design(spec)
		if k.Single == nil {
			var none *NoWiringError
			if !errors.As(err, &none) || !none.Proved {
				t.Errorf("%s: %v, want a proof that there is none", k.Name, err)
			}
			continue
		}
		if err != nil {
			t.Fatalf("%s: %v", k.Name, err)
		}
		checkResult(t, spec, r)
		if single := len(k.Groups) - int(r.Cost); single != *k.Single || !r.Proved {
			t.Errorf("%s: %d groups of one word, proved %v, want %d", k.Name, single, r.Proved, *k.Single)
		}
	}
}

// TestAgainstAllWirings compares with every wiring of a few chips, each judged by
// every word.
func TestAgainstAllWirings(t *testing.T) {
	const seed = 17
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	impossible := 0
	for range 60 {
		spec := Spec{Lines: 3 + rng.IntN(2), Inputs: 1 + rng.IntN(3), Aim: Aim(rng.IntN(2))}
		for range 2 + rng.IntN(3) {
			c := Chip{Lane: rng.IntN(2)}
			if rng.IntN(4) == 0 {
				c.Fixed = []int{rng.IntN(spec.Lines)}
			}
			spec.Chips = append(spec.Chips, c)
		}
		for range 1 + rng.IntN(4) {
			spec.Groups = append(spec.Groups, Group{
				Chips: rng.Perm(len(spec.Chips))[:1+rng.IntN(len(spec.Chips))], Weight: 1 + rng.Int64N(5),
				Once: rng.IntN(3) == 0})
		}
		want := cheapest(spec)
		r, err := Design(spec)
		var none *NoWiringError
		if want < 0 {
			impossible++
			if !errors.As(err, &none) || !none.Proved {
				t.Errorf("%+v: %v, want a proof that there is none", spec, err)
			}
			continue
		}
		if err != nil {
			t.Fatalf("%+v: %v", spec, err)
		}
		checkResult(t, spec, r)
		if r.Cost != want || !r.Proved || r.LowerBound != want {
			t.Errorf("%+v: cost %d, bound %d, proved %v, want %d", spec, r.Cost, r.LowerBound, r.Proved, want)
		}
	}
	if impossible == 0 || impossible > 40 {
		t.Errorf("one-sided: %d of 60 impossible", impossible)
	}
}

// TestFewestLinesAgainstAllWirings looks for the first number of lines on which some
// wiring makes every group one word.
func TestFewestLinesAgainstAllWirings(t *testing.T) {
	const seed = 23
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	histogram := map[int]int{}
	for range 40 {
		spec := Spec{Lines: 5, Inputs: 1 + rng.IntN(3), Chips: make([]Chip, 2+rng.IntN(3))}
		if rng.IntN(3) == 0 {
			spec.Chips[0].Fixed = []int{rng.IntN(3)}
		}
		for range 1 + rng.IntN(5) {
			spec.Groups = append(spec.Groups,
				Group{Chips: rng.Perm(len(spec.Chips))[:1+rng.IntN(len(spec.Chips))], Weight: 1})
		}
		want := 0
		for lines := spec.Inputs; lines <= spec.Lines && want == 0; lines++ {
			fewer := spec
			fewer.Lines, fewer.Aim = lines, MostSingle
			if len(spec.Chips[0].Fixed) > 0 && spec.Chips[0].Fixed[0] >= lines {
				continue
			}
			if cheapest(fewer) == 0 {
				want = lines
			}
		}
		histogram[want]++
		r, err := FewestLines(spec)
		var none *NoWiringError
		switch {
		case want == 0 && (!errors.As(err, &none) || !none.Proved):
			t.Errorf("%+v: %v, want a proof that there is none", spec, err)
		case want > 0 && (err != nil || r.Lines != want || !r.Proved || r.LowerBound != int64(want)):
			t.Errorf("%+v: %d lines, bound %d, %v; want %d", spec, r.Lines, r.LowerBound, err, want)
		case want > 0:
			checkResult(t, spec, r)
		}
	}
	if len(histogram) < 4 {
		t.Errorf("one-sided: %v", histogram)
	}
}

// cheapest tries all wirings; -1 where none does.
func cheapest(spec Spec) int64 {
	best := int64(-1)
	wires := make([]word, len(spec.Chips))
	var try func(c int)
	try = func(c int) {
		if c == len(wires) {
			if cost, ok := naiveCost(spec, wires); ok && (best < 0 || cost < best) {
				best = cost
			}
			return
		}
		for set := word(0); set < 1<<spec.Lines; set++ {
			ok := set.Len() == spec.Inputs
			for _, line := range spec.Chips[c].Fixed {
				ok = ok && set>>line&1 == 1
			}
			for other := range c {
				ok = ok && (wires[other] != set || spec.Chips[other].Lane != spec.Chips[c].Lane)
			}
			if ok {
				wires[c] = set
				try(c + 1)
			}
		}
	}
	try(0)
	return best
}

// naiveCost covers each group by trying all sets of words of growing size.
func naiveCost(spec Spec, wires []word) (int64, bool) {
	var total int64
	for _, g := range spec.Groups {
		want := 0
		for _, c := range g.Chips {
			want |= 1 << c
		}
		var reaches []int
		for w := range word(1) << spec.Lines {
			reach := 0
			for c, needs := range wires {
				if needs&w == needs {
					reach |= 1 << c
				}
			}
			if reach != 0 && reach&^want == 0 && !slices.Contains(reaches, reach) {
				reaches = append(reaches, reach)
			}
		}
		var fits func(got, words int) bool
		fits = func(got, words int) bool {
			if got == want {
				return true
			}
			return words > 0 && slices.ContainsFunc(reaches, func(r int) bool {
				return (!g.Once || r&got == 0) && fits(got|r, words-1)
			})
		}
		words := 1
		for ; !fits(0, words); words++ {
			if words > len(wires) {
				return 0, false
			}
		}
		switch {
		case spec.Aim == LeastTraffic:
			total += g.Weight * int64(words)
		case words > 1:
			total += g.Weight
		}
	}
	return total, true
}

// TestRing designs for a ring of twelve chips beside four more, on two lanes, with
// halves, thirds, opposite pairs and neighbours as groups (invented).
func TestRing(t *testing.T) {
	spec := ring()
	r, err := Design(spec)
	if err != nil {
		t.Fatal(err)
	}
	checkResult(t, spec, r)
	again, err := Design(spec)
	if err != nil || !reflect.DeepEqual(r, again) {
		t.Error("two designs from one seed differ")
	}
	var plain int64 // wired in lexicographic order
	work := 0
	plain = newTrial(&spec, lexicographic(len(spec.Chips), spec.Lines, 3), &work).cost()
	if r.Cost >= plain || r.LowerBound > r.Cost {
		t.Errorf("cost %d, bound %d; without a design %d", r.Cost, r.LowerBound, plain)
	}
	t.Logf("cost %d, bound %d, lexicographic %d, found by %s", r.Cost, r.LowerBound, plain, r.Found)
}

func ring() Spec {
	spec := Spec{Lines: 10, Inputs: 3, Seed: 3, Work: 100_000}
	for i := range 16 {
		spec.Chips = append(spec.Chips, Chip{Lane: i % 2})
	}
	add := func(weight int64, once bool, chips ...int) {
		spec.Groups = append(spec.Groups, Group{Chips: chips, Weight: weight, Once: once})
	}
	add(60, true, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11)
	add(60, true, 12, 13, 14, 15)
	for i := range 2 {
		add(10, true, i*6, i*6+1, i*6+2, i*6+3, i*6+4, i*6+5)
	}
	for i := range 3 {
		add(10, false, i*4, i*4+1, i*4+2, i*4+3)
	}
	for i := range 6 {
		add(5, false, i, i+6)
	}
	for i := range 12 {
		add(2, false, i, (i+1)%12)
	}
	return spec
}

func TestFixedWiresAreKept(t *testing.T) {
	spec := Spec{Chips: make([]Chip, 8), Groups: pairs(8), Lines: 10, Inputs: 3, Work: 20_000}
	for i := range spec.Chips {
		spec.Chips[i].Fixed = []int{9 - i%2}
	}
	for _, find := range []func(Spec) (Result, error){Design, FewestLines} {
		r, err := find(spec)
		if err != nil {
			t.Fatal(err)
		}
		checkResult(t, spec, r)
	}
}

func TestErrors(t *testing.T) {
	spec := Spec{
		Chips:  []Chip{{Lane: -1}, {Fixed: []int{0, 0, 9, 1}}},
		Groups: []Group{{}, {Chips: []int{0, 0, 7}, Weight: MaxWeight + 1}},
		Lines:  4, Inputs: 3, Aim: 9, Work: -1,
	}
	for _, find := range []func(Spec) (Result, error){Design, FewestLines} {
		_, err := find(spec)
		var got invalid.Errors
		if !errors.As(err, &got) || len(got) != 11 {
			t.Errorf("%d errors, want 11:\n%v", len(got), err)
		}
	}
	var got invalid.Errors
	if _, err := Design(Spec{}); !errors.As(err, &got) || len(got) != 3 {
		t.Errorf("nothing at all: %v", err)
	}
}

func TestAlikeChipsNeedLanes(t *testing.T) {
	alike := []Chip{{Fixed: []int{0, 1, 2}}, {Fixed: []int{0, 1, 2}}}
	spec := Spec{Chips: alike, Lines: 5, Inputs: 3}
	var none *NoWiringError
	if _, err := Design(spec); !errors.As(err, &none) || !none.Proved {
		t.Errorf("one lane: %v", err)
	}
	alike[1].Lane = 1
	if r, err := Design(spec); err != nil || r.Wires[0] != r.Wires[1] {
		t.Errorf("two lanes: %v %v", r, err)
	}
	spec.Groups = []Group{{Chips: []int{0}, Weight: 1}}
	if _, err := Design(spec); !errors.As(err, &none) {
		t.Errorf("one of them to be commanded alone: %v", err)
	}
}

func BenchmarkDesign(b *testing.B) {
	ringSpec := ring()
	for _, c := range []struct {
		name string
		spec Spec
	}{
		{"ring of 12 and 4", ringSpec},
		{"pairs of 35 on 15 lines", Spec{Chips: make([]Chip, 35), Groups: pairs(35), Lines: 15, Inputs: 3}},
		{"pairs of 5 on 6 lines, proved", Spec{Chips: make([]Chip, 5), Groups: pairs(5), Lines: 6, Inputs: 3}},
	} {
		plain := int64(0)
		work := 0
		plain = newTrial(&c.spec, lexicographic(len(c.spec.Chips), c.spec.Lines, 3), &work).cost()
		b.Run(fmt.Sprint(c.name), func(b *testing.B) {
			var r Result
			for b.Loop() {
				var err error
				if r, err = Design(c.spec); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(r.Cost), "cost")
			b.ReportMetric(float64(plain), "lexicographic-cost")
			b.ReportMetric(float64(r.LowerBound), "bound")
		})
	}
}
