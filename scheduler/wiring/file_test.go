package wiring

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"facetd.example/chipmodel/arrayfile"
	"facetd.example/deploy"
)

func exampleFile(t testing.TB) (File, Spec) {
	t.Helper()
	data, err := os.ReadFile("../../deploy/examples/wiring/crawler.yaml")
	if err != nil {
		t.Fatal(err)
	}
	f, s, m := ParseFile("crawler.yaml", data)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return f, s
}

// costOf is what a given wiring costs: a board where every wire exists already.
func costOf(t testing.TB, s Spec, wires [][]int) int64 {
	t.Helper()
	s.Chips = append([]Chip(nil), s.Chips...)
	for i := range s.Chips {
		s.Chips[i].Fixed = wires[i]
	}
	r, err := Design(s)
	if err != nil {
		t.Fatal(err)
	}
	return r.Cost
}

// TestDesignForTheExample: for the demo's chips and groups the proposed wiring needs
// one word for every group, which is proved best; the example array's own wires, and
// a plain grid of coordinates, need more by the amounts here.
func TestDesignForTheExample(t *testing.T) {
	_, s := exampleFile(t)
	r, err := Design(s)
	if err != nil {
		t.Fatal(err)
	}
	a, m := arrayfile.ParseArray("array.yaml", deploy.CrawlerArray)
	if len(m) > 0 {
		t.Fatal(m)
	}
	var own, grid [][]int
	for i := range a.Chips {
		own = append(own, a.Chips[i].Selects)
		grid = append(grid, []int{i % 4, 4 + i/4%3, 7 + i/12})
	}
	plain, hand := costOf(t, s, grid), costOf(t, s, own)
	t.Logf("cost %d (bound %d) proposed, %d as the example is wired, %d on a plain grid", r.Cost, r.LowerBound, hand,
		plain)
	if r.Cost != r.LowerBound || !r.Proved {
		t.Errorf("cost %d, bound %d, proved %v", r.Cost, r.LowerBound, r.Proved)
	}
	for i, words := range r.Words {
		if words != 1 {
			t.Errorf("group %d takes %d words", i, words)
		}
	}
	if r.Cost > hand || float64(plain) < 1.2*float64(r.Cost) {
		t.Errorf("the proposed wiring costs %d, the example's %d, a plain grid %d", r.Cost, hand, plain)
	}
}

func TestParseFileErrors(t *testing.T) {
	for text, want := range map[string]string{
		"":                     "the file is empty",
		"lines: [":             "x.yaml",
		"lines: 3\nchip: []\n": "x.yaml:2",
		"lines: 3\nchips:\n- {name: a}\n- {name: a}\n":                                "x.yaml:4",
		"lines: 3\nchips:\n- {name: a, selects: [q]}\n":                               "no select line is called",
		"lines: 3\ninputs: 9\nchips:\n- {name: a}\n":                                  "x.yaml:2",
		"lines: 3\nchips:\n- {name: a}\ngroups:\n- {name: g, chips: [b]}\n":           "no chip is called",
		"lines: 3\nchips:\n- {name: a}\ngroups:\n- {chips: [a]}\n":                    "has no name",
		"lines: 3\nchips:\n- {name: a}\naim: glory\n":                                 "unknown aim",
		"lines: 3\nchips:\n- {name: a}\ngroups:\n- {name: g, chips: [a], weight: -1}": "x.yaml:5",
		"select_lines: [p, q]\nlines: 5\nchips:\n- {name: a}\n":                       "are named",
	} {
		_, _, m := ParseFile("x.yaml", []byte(text))
		if len(m) == 0 || !strings.Contains(m.Error(), want) || strings.Contains(m.Error(), "wiring.") {
			t.Errorf("%q: %v, want %q", text, m, want)
		}
	}
}

// FuzzParseFile: whatever the file, there is a specification that Design takes, or
// errors.
func FuzzParseFile(f *testing.F) {
	f.Add([]byte("lines: 4\ninputs: 2\nchips:\n- {name: a}\n- {name: b}\ngroups:\n- {name: g, chips: [all]}\n"))
	f.Add([]byte("select_lines: [p]\ninputs: 1\nchips: [{name: a, selects: [p]}]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		file, s, m := ParseFile("f.yaml", data)
		if len(m) > 0 {
			return
		}
		if err := s.check(); err != nil {
			t.Fatalf("taken, but %v", err)
		}
		if len(s.Chips) > 20 || s.Lines > 12 {
			return
		}
		s.Work = 1000
		if r, err := Design(s); err == nil {
			if rep := file.Report(r); len(rep.Chips) != len(s.Chips) || len(rep.Groups) != len(s.Groups) {
				t.Fatalf("report %+v", rep)
			}
		} else if _, is := err.(*NoWiringError); !is {
			t.Fatal(fmt.Errorf("%T: %w", err, err))
		}
	})
}
