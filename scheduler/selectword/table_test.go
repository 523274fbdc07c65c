package selectword

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"facetd.example/chipmodel"
)

func TestInseparable(t *testing.T) {
	w := New(wordsOf([][]int{{0, 1}, {0, 1, 2}, {0, 1}, {0, 1, 3}, {4}}))
	got := w.Inseparable([]int{0, 0, 0, 1, 0})
	want := [][2]int{{0, 1}, {0, 2}, {2, 1}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if got := w.Inseparable([]int{0, 1, 2, 3, 4}); len(got) != 0 {
		t.Errorf("lanes of their own: %v", got)
	}
}

// TestTable counts by trying every word.
func TestTable(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 1))
	for range 60 {
		lines := 1 + rng.IntN(8)
		wires := make([]chipmodel.LineSet, 1+rng.IntN(8))
		for i := range wires {
			for range 1 + rng.IntN(3) {
				wires[i] |= 1 << rng.IntN(lines)
			}
		}
		w := New(wires)
		groups := map[string][]chipmodel.LineSet{}
		useless := 0
		for word := range chipmodel.LineSet(1) << lines {
			key := ""
			for _, chip := range w.Reach(word) {
				key += string(rune('a' + chip))
			}
			if key == "" {
				useless++
				continue
			}
			groups[key] = append(groups[key], word)
		}
		got := w.Table(lines, 1000)
		if !got.Counted || got.Truncated || got.Useless != useless || got.Useful != len(groups) ||
			got.Useful+got.Ambiguous+got.Useless != 1<<lines || len(got.Rows) != got.Useful {
			t.Fatalf("wires %v lines %d: %+v, want %d reaches, %d useless", wires, lines, got, len(groups), useless)
		}
		for _, row := range got.Rows {
			key := ""
			for _, chip := range row.Reach {
				key += string(rune('a' + chip))
			}
			all := groups[key]
			if row.Same != len(all)-1 || !slices.Contains(all, row.Word) {
				t.Fatalf("row %+v, words of that reach %v", row, all)
			}
			for _, word := range all {
				if !row.Word.Within(word) {
					t.Fatalf("row %+v is not the smallest of %v", row, all)
				}
			}
		}
		// The wide form, which does not count, lists the same words.
		shifted := make([]chipmodel.LineSet, len(wires))
		for i := range wires {
			shifted[i] = wires[i] << 40
		}
		wide := New(shifted).Table(0, 1000)
		if wide.Counted || wide.Truncated || len(wide.Rows) != len(got.Rows) {
			t.Fatalf("wide: %d rows, want %d", len(wide.Rows), len(got.Rows))
		}
		for i, row := range wide.Rows {
			if row.Word>>40 != got.Rows[i].Word || !slices.Equal(row.Reach, got.Rows[i].Reach) {
				t.Fatalf("wide row %+v, want %+v", row, got.Rows[i])
			}
		}
	}
}

func TestTableIsBounded(t *testing.T) {
	for _, w := range []*Wiring{gridWiring(4, 4), gridWiring(16, 8, 8)} {
		got := w.Table(0, 10)
		if len(got.Rows) != 10 || !got.Truncated {
			t.Errorf("%d rows, truncated %v", len(got.Rows), got.Truncated)
		}
	}
}
