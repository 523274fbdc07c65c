package program

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"facetd.example/chipmodel"
)

// TestListeners compares counting by look-up with Reach, over wirings of one to four
// inputs and words of any size.
func TestListeners(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 2))
	looked := 0
	for range 40 {
		a := &chipmodel.Array{Lines: make([]string, 8+r.IntN(57))}
		for i := range 1 + r.IntN(900) {
			c := chipmodel.Chip{Name: fmt.Sprint(i)}
			for range 1 + r.IntN(4) {
				c.Wires |= 1 << r.IntN(len(a.Lines))
			}
			a.Chips = append(a.Chips, c)
		}
		l := newListeners(a)
		for range 50 {
			var word chipmodel.LineSet
			for range r.IntN(14) {
				word |= 1 << r.IntN(len(a.Lines))
			}
			if r.IntN(10) == 0 {
				word = 1<<len(a.Lines) - 1
			}
			if got, want := l.count(word), len(a.Reach(word)); got != want {
				t.Fatalf("%d chips listen under %#x, not %d", want, uint64(word), got)
			}
			sets := 0
			for _, s := range l.sizes {
				sets += choose(word.Len(), s)
			}
			if sets <= len(l.wires)/costOfLookup {
				looked++
			}
		}
	}
	if looked < 100 {
		t.Errorf("only %d words were looked up", looked)
	}
}
