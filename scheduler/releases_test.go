package scheduler_test

import (
	"slices"
	"testing"
	"time"
)

// TestNextReleases: the first release at or after a time is that of the table's entries, repeated for ever in both
// directions, also of rates that are no whole number of nanoseconds apart and on a coarse bus.
func TestNextReleases(t *testing.T) {
	for _, grain := range []time.Duration{1, 700} {
		a, err := bench(t, [5]int{2, 0, 1, 0, 1}).OnGrain(grain)
		if err != nil {
			t.Fatal(err)
		}
		p := mustBuild(t, a, task("one", "mems", 30), task("two", "hexs", 70), task("three", "cnts", 10))
		for i := range p.Tasks {
			var releases []time.Duration
			for _, e := range p.Entries {
				if e.Task == i && e.Segment == 0 {
					releases = append(releases, e.Release)
				}
			}
			slices.Sort(releases)
			for cycle := time.Duration(-2); cycle <= 2; cycle++ {
				begin := cycle * p.Hyperperiod
				for k, release := range releases {
					next := begin + p.Hyperperiod + releases[0]
					if k+1 < len(releases) {
						next = begin + releases[k+1]
					}
					for since, want := range map[time.Duration]time.Duration{begin + release: begin + release,
						begin + release + 1: next, next - 1: next} {
						if got := p.NextRelease(i, since); got != want {
							t.Errorf("%s on a grain of %v: after %v comes %v, want %v", p.Tasks[i].Task.Name, grain,
								since,
								got, want)
						}
					}
				}
			}
		}
	}
}
