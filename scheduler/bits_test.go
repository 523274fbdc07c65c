package scheduler_test

import (
	"math"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/scheduler/program"
)

// TestExposuresBeyondTheWord: a minute is more nanoseconds than an int of 32 bits holds: there it may be a fixed
// exposure, and is refused as a bound of one that moves; elsewhere it may be both.
func TestExposuresBeyondTheWord(t *testing.T) {
	a := bench(t, [5]int{2}, shutters, func(msg *facetdv1.Array) {
		msg.Classes[0].GetLinear().Shutter.Most = dur(time.Minute)
	})
	if _, m := program.NewTasks(a, []*facetdv1.Task{task("t", "mems", 0.01, exposed(time.Minute, 0, 0))}); len(m) > 0 {
		t.Errorf("fixed: %v", m)
	}
	for high, fits := range map[time.Duration]bool{2 * time.Second: true, time.Minute: math.MaxInt > math.MaxInt32} {
		tasks, m := program.NewTasks(a, []*facetdv1.Task{task("t", "mems", 0.01, exposed(time.Second, 1e6, high))})
		switch {
		case !fits:
			if len(m) != 1 || !strings.HasSuffix(m[0].Path, "exposure.high") ||
				!strings.Contains(m[0].Message, "32 bits") {
				t.Errorf("up to %v: %v", high, m)
			}
		case len(m) > 0 || time.Duration(tasks[0].Slots[0].High) != high:
			t.Errorf("up to %v: %v", high, m)
		}
	}
}
