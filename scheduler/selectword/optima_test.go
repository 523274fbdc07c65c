package selectword

import (
	"encoding/json"
	"os"
	"slices"
	"testing"

	"facetd.example/chipmodel"
)

// optimum is one instance of testdata/optima.json; its source stands in the file.
type optimum struct {
	Name         string
	Lines        int
	Wires        [][]int
	Target       []int
	Cover        *int // nil where no cover exists
	Partition    *int
	ClosedWords  int `json:"closed_words"`
	MaximalWords int `json:"maximal_words"`
}

func (o *optimum) wiring() *Wiring { return New(wordsOf(o.Wires)) }

func wordsOf(lists [][]int) []chipmodel.LineSet {
	words := make([]chipmodel.LineSet, len(lists))
	for i, lines := range lists {
		for _, line := range lines {
			words[i] |= 1 << line
		}
	}
	return words
}

func optima(t testing.TB) []optimum {
	t.Helper()
	text, err := os.ReadFile("testdata/optima.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Instances []optimum }
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	if len(file.Instances) < 35 {
		t.Fatalf("only %d instances", len(file.Instances))
	}
	return file.Instances
}

func TestKnownOptima(t *testing.T) {
	for _, o := range optima(t) {
		if o.Cover == nil {
			_, err := o.wiring().Cover(o.Target, Options{})
			if got, ok := err.(*UnreachableError); !ok || !slices.Equal(got.Blocking, []int{0}) {
				t.Errorf("%s: error %v, want an unreachable chip behind chip 0", o.Name, err)
			}
			continue
		}
		t.Run(o.Name, func(t *testing.T) {
			for _, once := range []bool{false, true} {
				want := o.Cover
				if once {
					want = o.Partition
				}
				if want == nil {
					continue // not known
				}
				opt := Options{Once: once}
				c, err := o.wiring().Cover(o.Target, opt)
				if err != nil {
					t.Fatal(err)
				}
				checkCover(t, o.wiring(), o.Target, opt, c)
				if len(c.Words) != *want || !c.Optimal || c.LowerBound != int64(*want) {
					t.Errorf("once=%v: %d words, optimal %v, bound %d; the optimum is %d", once, len(c.Words),
						c.Optimal, c.LowerBound, *want)
				}
			}
		})
	}
}

// checkCover judges a cover by the definition alone.
func checkCover(t testing.TB, w *Wiring, target []int, opt Options, c Cover) {
	t.Helper()
	times := make([]int, w.Chips())
	var cost int64
	if len(c.Words) == 0 || len(c.Words) != len(c.Reaches) {
		t.Fatalf("%d words with %d reaches", len(c.Words), len(c.Reaches))
	}
	for i, word := range c.Words {
		var reach []int
		for chip, wires := range w.wires {
			if wires&word == wires {
				times[chip]++
				reach = append(reach, chip)
			}
		}
		if !slices.Equal(reach, c.Reaches[i]) {
			t.Errorf("word %v reaches %v, said to reach %v", word, reach, c.Reaches[i])
		}
		if opt.Cost == nil {
			cost++
		} else {
			cost += opt.Cost(word)
		}
	}
	for chip, n := range times {
		wanted := slices.Contains(target, chip)
		if (n > 0) != wanted || (opt.Once && n > 1) {
			t.Errorf("chip %d is reached %d times, wanted %v", chip, n, wanted)
		}
	}
	if c.LowerBound > cost || c.Optimal != (c.LowerBound == cost) {
		t.Errorf("cost %d, bound %d, optimal %v", cost, c.LowerBound, c.Optimal)
	}
}
