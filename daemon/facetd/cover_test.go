package main

import (
	"encoding/json"
	"fmt"
	"math/bits"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// The words that `facetd cover` prints reach exactly the target, each chip once
// where that was asked, and their number is the least: found by trying every set
// of words, which is stupid and sure.
func TestCoverAgainstEverySetOfWords(t *testing.T) {
	seed := uint64(7660)
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 2))
	for range 60 {
		lines := 3 + rnd.IntN(2)
		wires := make([]uint, 2+rnd.IntN(5))
		for i := range wires {
			wires[i] = 1 + rnd.UintN(1<<lines-1)
		}
		target := 1 + rnd.UintN(1<<len(wires)-1)
		for _, once := range []bool{false, true} {
			checkCover(t, lines, wires, target, once)
		}
	}
}

func checkCover(t *testing.T, lines int, wires []uint, target uint, once bool) {
	t.Helper()
	file, names := wiringFile(lines, wires, target)
	args := []string{"cover", "-", strings.Join(names, ","), "--output", "json"}
	if once {
		args = append(args, "--once")
	}
	r := run(t, args, file)
	least := leastWords(lines, wires, target, once)
	if least < 0 {
		var failure struct{ Error string }
		if err := json.Unmarshal([]byte(r.Stdout), &failure); r.Status != 1 || err != nil || failure.Error == "" {
			t.Fatalf("%s%v once %v has no cover, but facetd says %q with status %d", file, names, once, r.Stdout,
				r.Status)
		}
		return
	}
	var got struct {
		Words []struct {
			Lines, Reaches []string
		}
		Optimal    bool
		LowerBound int `json:"lower_bound"`
	}
	if err := json.Unmarshal([]byte(r.Stdout), &got); err != nil || r.Status != 0 {
		t.Fatalf("%s%v once %v: status %d, %q, %q", file, names, once, r.Status, r.Stdout, r.Stderr)
	}
	if len(got.Words) != least || !got.Optimal || got.LowerBound != least {
		t.Fatalf("%s%v once %v: %s, want %d words", file, names, once, r.Stdout, least)
	}
	var all []string
	for _, w := range got.Words {
		var word uint
		for _, l := range w.Lines {
			word |= 1 << (l[0] - 'a')
		}
		var reached []string
		for i, own := range wires {
			if own&^word == 0 {
				reached = append(reached, fmt.Sprintf("c%d", i))
			}
		}
		if !slices.Equal(reached, w.Reaches) {
			t.Fatalf("%sword %v reaches %v, facetd says %v", file, w.Lines, reached, w.Reaches)
		}
		all = append(all, reached...)
	}
	slices.Sort(all)
	if !once {
		all = slices.Compact(all)
	}
	if !slices.Equal(all, names) {
		t.Fatalf("%s%v once %v: the words reach %v", file, names, once, all)
	}
}

// wiringFile writes the wiring as an array file and lists the target's chips.
func wiringFile(lines int, wires []uint, target uint) (file string, names []string) {
	var b strings.Builder
	fmt.Fprintf(&b, "select_lines: [%s]\nchips:\n", strings.Join(strings.Split("abcdef"[:lines], ""), ", "))
	for i, own := range wires {
		var selects []string
		for l := range lines {
			if own>>l&1 == 1 {
				selects = append(selects, string("abcdef"[l]))
			}
		}
		fmt.Fprintf(&b, "  - {name: c%d, selects: [%s]}\n", i, strings.Join(selects, ", "))
		if target>>i&1 == 1 {
			names = append(names, fmt.Sprintf("c%d", i))
		}
	}
	return b.String(), names
}

// leastWords tries every set of words, smallest first; -1 when none will do.
func leastWords(lines int, wires []uint, target uint, once bool) int {
	best := -1
	for set := uint(1); set < 1<<(1<<lines); set++ {
		if n := bits.OnesCount(set); best >= 0 && n >= best || n > bits.OnesCount(target) {
			continue
		}
		if covers(lines, wires, set, target, once) {
			best = bits.OnesCount(set)
		}
	}
	return best
}

// covers reports whether a set of words (bit w for word w) reaches exactly the
// target.
func covers(lines int, wires []uint, set, target uint, once bool) bool {
	var reached uint
	for word := range uint(1 << lines) {
		if set>>word&1 == 0 {
			continue
		}
		for i, own := range wires {
			if own&^word != 0 {
				continue
			}
			if target>>i&1 == 0 || once && reached>>i&1 == 1 {
				return false
			}
			reached |= 1 << i
		}
	}
	return reached == target
}
