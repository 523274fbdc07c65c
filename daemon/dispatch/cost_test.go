package dispatch

import (
	"runtime"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// deaf is an observer that keeps nothing of what it is told, and looks at nothing.
type deaf struct {
	watcher
	sets int
}

func (d *deaf) SegmentRun(string, *bus.Result, WordCount) {}
func (d *deaf) JobEnded(*facetdv1.FrameSet)               { d.sets++ }
func (d *deaf) JobEndedLater(*facetdv1.FrameSet, func())  { d.sets++ }

// TestWhatAJobCosts: a frame set of the demo that nobody looks at takes few allocations from its release to its end,
// simulation and all, and its pixels no memory. The limits are half as much again as what was seen.
func TestWhatAJobCosts(t *testing.T) {
	light, err := demoLight()
	if err != nil {
		t.Fatal(err)
	}
	run := func(stretch time.Duration) (sets int, mallocs, bytes uint64) {
		d := &deaf{}
		r := demoRigUnder(t, light, 1, stretch, func(cfg *Config) {
			cfg.Observer, cfg.Wanted = d, func(string) bool { return false }
		})
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		if err := r.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		runtime.ReadMemStats(&after)
		return d.sets, after.Mallocs - before.Mallocs, after.TotalAlloc - before.TotalAlloc
	}
	less, mallocsBefore, bytesBefore := run(5 * time.Second) // with what is made once
	more, mallocs, bytes := run(13 * time.Second)
	sets := float64(more - less)
	each, size := float64(mallocs-mallocsBefore)/sets, float64(bytes-bytesBefore)/sets
	t.Logf("%.1f allocations and %.0f bytes for each of %.0f frame sets", each, size, sets)
	if sets < 200 || each > 8 || size > 14000 {
		t.Errorf("%.1f allocations and %.0f bytes for each of %.0f frame sets", each, size, sets)
	}
}
