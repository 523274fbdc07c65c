package bridge

import (
	"math"
	"time"
)

// budget shares a rate of bytes among tasks: the task that has had the least goes first, so that a task of small sets
// is served more often than one of large sets, and neither starves the other. It has no clock of its own.
type budget struct {
	rate  float64 // bytes a second
	saved float64 // bytes that may go now; below zero after a set that was larger
	at    time.Time
	had   map[string]float64 // bytes by task, from where the task came in
}

// burst is for how long of the rate may be saved up while nothing waits.
const burst = 200 * time.Millisecond

func newBudget() *budget { return &budget{had: map[string]float64{}} }

// set gives the budget a rate from an instant on.
func (b *budget) set(rate float64, now time.Time) {
	b.earn(now)
	b.rate = rate
	b.saved = min(b.saved, rate*burst.Seconds())
}

func (b *budget) earn(now time.Time) {
	if !b.at.IsZero() {
		b.saved = min(b.saved+b.rate*now.Sub(b.at).Seconds(), b.rate*burst.Seconds())
	}
	b.at = now
}

// wait is how long it takes until the next set may go.
func (b *budget) wait(now time.Time) time.Duration {
	b.earn(now)
	switch {
	case b.saved >= 0:
		return 0
	case b.rate <= 0:
		return time.Duration(math.MaxInt64)
	}
	return time.Duration(math.Ceil(-b.saved / b.rate * float64(time.Second)))
}

// next is the task that is served next of those that wait; at least one must. A task that had nothing to send for a
// while comes in where the others are, and saves nothing up.
func (b *budget) next(waiting []string) string {
	least := math.Inf(1)
	for _, had := range b.had {
		least = min(least, had)
	}
	if math.IsInf(least, 1) {
		least = 0
	}
	best := ""
	for _, task := range waiting {
		if _, known := b.had[task]; !known {
			b.had[task] = least
		}
		if best == "" || b.had[task] < b.had[best] || b.had[task] == b.had[best] && task < best {
			best = task
		}
	}
	return best
}

// spend takes what was sent of a task.
func (b *budget) spend(task string, bytes int) {
	b.saved -= float64(bytes)
	b.had[task] += float64(bytes)
}
