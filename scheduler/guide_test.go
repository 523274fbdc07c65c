package scheduler_test

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/scheduler/program"
)

// TestNumbersOfRates: what the guide works out of the demo's ring, what binning saves, and which deadlines count as a
// period, are so.
func TestNumbersOfRates(t *testing.T) {
	text, err := os.ReadFile("../deploy/guide/rates.md")
	if err != nil {
		t.Fatal(err)
	}
	guide := strings.Join(strings.Fields(string(text)), " ")
	says := func(format string, args ...any) {
		t.Helper()
		if words := fmt.Sprintf(format, args...); !strings.Contains(guide, words) {
			t.Errorf("rates.md does not say %q", words)
		}
	}
	a, specs := crawler(t)
	p := mustBuild(t, a, specs...)
	var wall *program.Task
	for i := range p.Tasks {
		for _, member := range p.Tasks[i].Task.Members() {
			if member.Name == "wall" {
				wall = member
			}
		}
	}
	chip := a.Message.GetChips()[wall.Chips[0]]
	degrees, pixels := chip.GetLens().GetHorizontalFovDeg(), float64(wall.Views[0].Window.Columns)
	says("a chip of %g degrees and %g pixels sees %.1f degrees per pixel", degrees, pixels, degrees/pixels)
	moves := 50 / wall.RateHz / (degrees / pixels)
	if math.Abs(moves-2) > 0.1 {
		t.Errorf("at 50 degrees a second the picture moves by %.2f pixels", moves)
	}
	says("50 degrees a second moves the picture by two pixels between frames at %g Hz", wall.RateHz)
	says("at 50 Hz a client has almost %.0f ms", 1000.0/50)

	says("Binning of 2 x 2 quarters the time of chips with memory or pixel switches")
	b := bench(t, [5]int{1, 1})
	for _, name := range []string{"mems", "sws"} {
		whole := mustBuild(t, b, task("x", name, 10, &facetdv1.View{}))
		binned := mustBuild(t, b, task("x", name, 10, &facetdv1.View{Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}))
		took := [2]time.Duration{}
		for i := range whole.Entries {
			took[0] += whole.Entries[i].End - whole.Entries[i].Start
		}
		for i := range binned.Entries {
			took[1] += binned.Entries[i].End - binned.Entries[i].Start
		}
		// Loads, shares and patterns come on top.
		if part := float64(took[1]) / float64(took[0]); part < 0.24 || part > 0.42 {
			t.Errorf("%s: binned, a job takes %.2f of its time", name, part)
		}
	}

	says("16.6667ms, 16.67ms or 16.7ms at 60 Hz (three digits or more)")
	for deadline, want := range map[time.Duration]bool{16666700: true, 16670 * time.Microsecond: true,
		16700 * time.Microsecond: true, 17 * time.Millisecond: false} {
		spec := task("x", "mems", 60, &facetdv1.View{})
		spec.Deadline = dur(deadline)
		if _, m := program.NewTasks(b, []*facetdv1.Task{spec}); (len(m) == 0) != want {
			t.Errorf("a deadline of %v at 60 Hz: %v", deadline, m)
		}
	}
}
