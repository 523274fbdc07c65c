package analog

import (
	"encoding/json"
	"math"
	"os"
	"testing"
)

// load reads a table of check values. Each says where it is from and how sure that
// is; see its first two lines.
func load(t testing.TB, name string, into any) {
	t.Helper()
	b, err := os.ReadFile("testdata/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, into); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

func near(t testing.TB, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: %v, want %v within %g of it", what, got, want, relative)
	}
}

// largest is the largest absolute difference of two lists.
func largest(a, b []float64) float64 {
	var m float64
	for i := range a {
		m = max(m, math.Abs(a[i]-b[i]))
	}
	return m
}

// chainKernel returns exp(-L t) for the chain of n equal cells, row by row; L is
// the Laplacian of the path graph and t is in units of RC.
func chainKernel(n int, t float64) []float64 { return sumOfModes(n, chainModes(n, decay(t))) }
