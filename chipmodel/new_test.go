package chipmodel

import (
	"fmt"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestManyChipsWiredAlike: of n chips on the same lines n (n - 1) / 2 pairs cannot be
// read apart. Each chip is reported, but not each pair.
func TestManyChipsWiredAlike(t *testing.T) {
	const n = 1000
	msg := &facetdv1.Array{SelectLines: []string{"a"}, Lanes: []*facetdv1.Lane{{Name: "l"}}}
	for i := range n {
		msg.Chips = append(msg.Chips, &facetdv1.Chip{Name: fmt.Sprint("c", i), Selects: []string{"a"}, Lane: "l"})
	}
	_, m := New(msg)
	reported, more := map[string]int{}, ""
	for _, one := range m {
		if strings.Contains(one.Message, "read apart") {
			reported[one.Path]++
			more = one.Message
		}
	}
	if len(reported) != n-1 {
		t.Errorf("%d chips are reported, want %d", len(reported), n-1)
	}
	for path, times := range reported {
		if times > shownApart+1 {
			t.Errorf("%s is reported %d times", path, times)
		}
	}
	if want := fmt.Sprintf("%d more", n-1-shownApart); !strings.Contains(more, want) {
		t.Errorf("the last is %q, want it to count %s", more, want)
	}
}

// TestNamesCanBeShown: what would break a line of a table, or turn its direction, is
// no name; letters of any script are.
func TestNamesCanBeShown(t *testing.T) {
	for name, good := range map[string]bool{
		"wall-00": true, "паук_1.b": true, "カメラ": true, "é": true,
		"": false, "a b": false, "a\nb": false, "a\tb": false, "\x1b[31m": false, "a\u00a0b": false,
		"a\u0085b": false, "a\u2028b": false, "a\u202eb": false, "a\u200bb": false, "a,b": false, "a/b": false,
	} {
		msg := &facetdv1.Array{SelectLines: []string{"x"},
			Chips: []*facetdv1.Chip{{Name: name, Selects: []string{"x"}}}}
		if _, m := New(msg); (len(m) == 0) != good {
			t.Errorf("chip %q: %v", name, m)
		}
	}
	msg := &facetdv1.Array{Name: "two\nlines", SelectLines: []string{"x"},
		Chips: []*facetdv1.Chip{{Name: "c", Selects: []string{"x"}}}}
	if _, m := New(msg); len(m) != 1 || m[0].Path != "name" {
		t.Errorf("an array's name of two lines: %v", m)
	}
}
