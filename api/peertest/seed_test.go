package peertest_test

import (
	"testing"

	"facetd.example/api/peertest"
)

// TestSeed: what a random test begins with is another number each time, unless it is said where it comes from: then it
// is that of the test.
func TestSeed(t *testing.T) {
	t.Setenv("FACETD_SEED", "")
	if a, b := peertest.Seed(t), peertest.Seed(t); a == b {
		t.Errorf("%d twice", a)
	}
	t.Setenv("FACETD_SEED", "a tree")
	first := peertest.Seed(t)
	if again := peertest.Seed(t); again != first {
		t.Errorf("%d and %d of the same tree", first, again)
	}
	t.Run("another test", func(t *testing.T) {
		if other := peertest.Seed(t); other == first {
			t.Errorf("%d of two tests", other)
		}
	})
	t.Setenv("FACETD_SEED", "another tree")
	if other := peertest.Seed(t); other == first {
		t.Errorf("%d of two trees", other)
	}
}
