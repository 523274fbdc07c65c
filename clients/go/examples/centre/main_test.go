package main

import (
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"facetd.example/api/peertest"
	"facetd.example/clients/go/facettest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// held runs the controller for three seconds of bus time, from a place aside of the middle, and returns what it said.
func held(t *testing.T, left string) string {
	t.Helper()
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo, Scene: "demo:high=800,lamp=0.9,left=" + left,
		Listen: "127.0.0.1:0"})
	var out strings.Builder
	if err := run(t.Context(), &out, a.Address(), 3*time.Second); err != nil {
		t.Fatal(err)
	}
	if p := a.SetPose(nil, nil); p.GetLeftM() > 0.005 || p.GetLeftM() < -0.005 {
		t.Errorf("from %s m it ended %v m to the left", left, p.GetLeftM())
	}
	return out.String()
}

// It comes to the middle from either side, and every run is the same to the last bit.
func TestHoldsTheMiddle(t *testing.T) {
	first := held(t, "0.1")
	if begun := "0.06 s: 0.10000000000000001 m to the left, -0.1"; !strings.HasPrefix(first, begun) ||
		strings.Count(first, "\n") < 40 {
		t.Errorf("it said %s", first)
	}
	for i := range peertest.Cases(1, 9) {
		if again := held(t, "0.1"); again != first {
			t.Errorf("run %d was another:\n%s\n%s", i+2, first, again)
		}
	}
	held(t, "-0.1")
}

// An example is to be read at a glance: it has less than 80 lines.
func TestShort(t *testing.T) {
	for _, file := range []string{"main.go", "../../../python/examples/hold_the_middle.py"} {
		text, err := os.ReadFile(file)
		if n := strings.Count(string(text), "\n"); err != nil || n >= 80 || n < 20 {
			t.Errorf("%s has %d lines: %v", file, n, err)
		}
	}
}
