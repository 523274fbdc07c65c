package selectword

import (
	"fmt"
	"strings"
	"testing"

	"facetd.example/api/golden"
	"facetd.example/chipmodel"
)

// TestWorkIsKept has how far the search comes with little work and with plenty, on instances of known optima, and how
// much of it is left over (of the last part): the same work always gives the same answer. A change of the search shows
// here, as bounds that are lost or work that is done twice show nowhere else. Whether the answers are right is for the
// other tests; here only that they are the ones that were.
func TestWorkIsKept(t *testing.T) {
	weights := make([]int64, 64)
	for line := range weights {
		weights[line] = int64(1 + 7*line%5)
	}
	costs := map[bool]func(chipmodel.LineSet) int64{false: nil, true: lineCost(weights)}
	var out strings.Builder
	for _, o := range optima(t) {
		if o.Cover == nil {
			continue
		}
		for _, once := range []bool{false, true} {
			for _, weighed := range []bool{false, true} {
				fmt.Fprintf(&out, "%s once=%v weighed=%v:", o.Name, once, weighed)
				for _, work := range []int{40, 400, 4000, 40_000} {
					opt := Options{Once: once, Cost: costs[weighed], Work: work}
					fmt.Fprintf(&out, " %s", searched(t, o.wiring(), o.Target, opt))
				}
				out.WriteString("\n")
			}
		}
	}
	golden.Check(t, "testdata/work.golden", out.String())
}

// searched is a search as Cover makes it: the cost found, the bound, and the work that is left.
func searched(t *testing.T, w *Wiring, target []int, opt Options) string {
	t.Helper()
	inside, err := w.membership(target)
	if err != nil {
		t.Fatal(err)
	}
	in := newInstance(w, inside, opt)
	if !opt.Once {
		in.elems = maximalSets(in.elems)
	} else if in.elems, err = w.atoms(in, inside); err != nil {
		return "none"
	}
	found, err := in.solve()
	if err != nil {
		return "none"
	}
	return fmt.Sprintf("%d>=%d,%d", found.cost, found.bound, in.work)
}
