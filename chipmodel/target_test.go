package chipmodel

import (
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestWhatATargetMeant: a command line does not tell groups from chips, so a hint looks at both, and at the group first
// where its chips are called after it.
func TestWhatATargetMeant(t *testing.T) {
	a := &Array{
		Chips:  []Chip{{Name: "wall-00"}, {Name: "wall-01"}, {Name: "comb"}},
		Groups: []Group{{Name: "wall", Chips: []int{0, 1}}, {Name: "all-but-one", Chips: []int{0, 2}}},
	}
	chips := func(name string) *facetdv1.Target {
		return &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{name}}}}
	}
	group := func(name string) *facetdv1.Target {
		return &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: name}}
	}
	for _, c := range []struct {
		target *facetdv1.Target
		hint   string
	}{
		{chips("wal"), `did you mean the group "wall"?`},
		{chips("wall"), `it is a group`},
		{chips("wall-0"), `did you mean "wall-00"?`},
		{chips("com"), `did you mean "comb"?`},
		{chips("zzz"), `known: wall-00, wall-01, comb`},
		{group("wal"), `did you mean "wall"?`},
		{group("comb"), `it is a chip`},
		{group("comp"), `did you mean the chip "comb"?`},
		{group("zzz"), `known: wall, all-but-one`},
	} {
		_, m := a.Resolve(c.target)
		if len(m) != 1 || !strings.Contains(m[0].Hint, c.hint) {
			t.Errorf("%v: %v, want the hint %q", c.target, m, c.hint)
		}
	}
}
