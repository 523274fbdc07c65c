package bridge

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestBudget: whatever the sizes of the sets of tasks that always have one, the rate is kept, and no task has had more
// than one set of any size more than another.
func TestBudget(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.Float64Range(1e3, 1e7).Draw(t, "rate")
		sizes := rapid.MapOfN(rapid.StringN(1, 3, -1), rapid.IntRange(1, 100_000), 1, 6).Draw(t, "sizes")
		var tasks []string
		largest := 0
		for task, size := range sizes {
			tasks, largest = append(tasks, task), max(largest, size)
		}
		b, began := newBudget(), time.Unix(0, 0)
		now, sent, had := began, 0., map[string]float64{}
		b.set(rate, now)
		for range 500 {
			if wait := b.wait(now); wait > 0 {
				now = now.Add(wait)
				continue
			}
			task := b.next(tasks)
			b.spend(task, sizes[task])
			sent, had[task] = sent+float64(sizes[task]), had[task]+float64(sizes[task])
			allowed := rate*now.Sub(began).Seconds() + float64(sizes[task]) + 1
			if sent > allowed {
				t.Fatalf("%v bytes after %v at %v a second", sent, now.Sub(began), rate)
			}
		}
		least, most := math.Inf(1), 0.
		for _, task := range tasks {
			least, most = min(least, had[task]), max(most, had[task])
		}
		if most-least > float64(largest) {
			t.Fatalf("tasks of sizes %v have had %v", sizes, had)
		}
	})
}

// A task that comes in later has no more to catch up than the others have.
func TestATaskThatComesInLater(t *testing.T) {
	b := newBudget()
	b.set(1e9, time.Unix(0, 0))
	for range 1000 {
		b.spend(b.next([]string{"a"}), 100)
	}
	had := map[string]int{}
	for range 100 {
		task := b.next([]string{"a", "b"})
		b.spend(task, 100)
		had[task]++
	}
	if had["a"] != 50 || had["b"] != 50 {
		t.Errorf("of 100 sets %v", had)
	}
}
