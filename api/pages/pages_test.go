package pages

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"
)

type request struct {
	size  uint32
	token string
}

func (r request) GetPageSize() uint32  { return r.size }
func (r request) GetPageToken() string { return r.token }

func self(s string) string { return s }

// TestPagesOfAListThatChanges: whoever follows the tokens gets, of a list to which items are appended and from which
// others are taken, each that was there all the time once and in order, and none twice; a token that cannot be followed
// is refused, and then the list begins anew.
func TestPagesOfAListThatChanges(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	refused := 0
	for range 2000 {
		var list []string
		for i := range rng.IntN(30) {
			list = append(list, fmt.Sprint("a", i))
		}
		always := slices.Clone(list)
		var got []string
		for token := ""; ; {
			page, next, wrong := Of(request{uint32(1 + rng.IntN(7)), token}, list, self)
			if len(wrong) > 0 {
				if wrong[0].Path != "page_token" || slices.Contains(list, token) {
					t.Fatal(wrong)
				}
				refused++
				always, got, token = slices.Clone(list), nil, ""
				continue
			}
			got = append(got, page...)
			if token = next; token == "" {
				break
			}
			if len(page) == 0 {
				t.Fatal("a page without items that is not the last")
			}
			if rng.IntN(3) == 0 {
				list = append(list, fmt.Sprint("b", rng.Uint64()))
			}
			if rng.IntN(3) == 0 {
				gone := rng.IntN(len(list))
				always = slices.DeleteFunc(always, func(s string) bool { return s == list[gone] })
				list = slices.Delete(list, gone, gone+1)
			}
		}
		sorted := slices.Clone(got)
		slices.Sort(sorted)
		if len(slices.Compact(sorted)) != len(got) {
			t.Fatalf("twice: %v", got)
		}
		kept := slices.DeleteFunc(slices.Clone(got), func(s string) bool { return !slices.Contains(always, s) })
		if !slices.Equal(kept, always) {
			t.Fatalf("of %v came %v", always, got)
		}
	}
	if refused == 0 {
		t.Error("no token was refused")
	}
}

func TestSizes(t *testing.T) {
	list := make([]string, 2500)
	for i := range list {
		list[i] = fmt.Sprint(i)
	}
	for size, want := range map[uint32]int{0: Default, 1: 1, Most: Most} {
		page, next, wrong := Of(request{size: size}, list, self)
		if len(page) != want || next != fmt.Sprint(want-1) || wrong != nil {
			t.Errorf("%d: %d, %q, %v", size, len(page), next, wrong)
		}
	}
	if _, _, wrong := Of(request{size: Most + 1, token: "x"}, list, self); len(wrong) != 2 {
		t.Error(wrong)
	}
	if page, next, wrong := Of(request{}, []string{}, self); len(page) != 0 || next != "" || wrong != nil {
		t.Error(page, next, wrong)
	}
}
