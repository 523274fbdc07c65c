package dispatch

import (
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"facetd.example/api/framedigest"
)

// TestDemoDigests: half a second of the demo gives the frames that it gave when pixels came to
// follow the light between two looks, those of the bed when pixels came to be averaged over their own shape (theirs are
// half as high again as wide): testdata/demo-digests.txt was recorded then, and is not to be recorded again unless the
// physics or the demo itself is meant to change.
func TestDemoDigests(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the digests were recorded on amd64; other processors may round sums of products differently")
	}
	want, err := os.ReadFile("testdata/demo-digests.txt")
	if err != nil {
		t.Fatal(err)
	}
	var got strings.Builder
	r := demoRig(t, 1, 500*time.Millisecond)
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, task := range r.Snapshot().Tasks {
		name, d := task.GetTask().GetName(), framedigest.New()
		for _, fs := range r.watch.of(name) {
			d.Add(fs)
		}
		fmt.Fprintf(&got, "%s: %d sets %s\n", name, d.Sets(), d.Sum())
	}
	if got.String() != string(want) {
		t.Errorf("the demo shows other frames than before\ngot:\n%swant:\n%s", got.String(), want)
	}
}
