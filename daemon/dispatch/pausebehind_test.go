package dispatch

import (
	"context"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/bus"
)

// TestAPauseOfAHostThatIsBehind: what was released before a pause is counted however late the host comes to it, what is
// released while it lasts is left out, and what is released after it is not, although it was asked for before the host
// came there.
func TestAPauseOfAHostThatIsBehind(t *testing.T) {
	far := bus.Limits{LeastLead: 2 * time.Millisecond, Queue: 8}
	for name, c := range map[string]struct {
		limits bus.Limits
		next   time.Duration
	}{
		"twice":             {next: 12 * time.Millisecond},
		"by far":            {next: 300 * time.Millisecond},
		"far away, by far":  {limits: far, next: 300 * time.Millisecond},
		"far away, a third": {limits: far, next: 100 * time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			for seed := range uint64(5) {
				synctest.Test(t, func(t *testing.T) {
					r := starvedRig(t, c.limits, starved{rng: rand.New(rand.NewPCG(seed, 0)), next: c.next},
						memTask(100), countTask(25))
					r.pausesBehind(t, seed)
				})
			}
		})
	}
}

func (r *rig) pausesBehind(t *testing.T, seed uint64) {
	t.Helper()
	end := r.begin(t)
	time.Sleep(1500 * time.Millisecond)
	paused := r.setPaused(t.Context(), t, map[string]bool{"mem": true}).Effective
	time.Sleep(70 * time.Millisecond)
	resumed := r.setPaused(t.Context(), t, map[string]bool{"mem": false}).Effective
	time.Sleep(2 * time.Second)
	end()
	const period = 10 * time.Millisecond
	sets, have := r.watch.of("mem"), map[bus.Time]bool{}
	for i, fs := range sets {
		have[bus.Time(fs.GetReleaseBusNs())] = true
		if fs.GetJob() != uint64(i) {
			t.Fatalf("seed %d: job %d of mem has number %d", seed, i, fs.GetJob())
		}
	}
	ahead, left := triggerLead(r.cfg.Bus.Limits()), 0
	first, last := bus.Time(sets[0].GetReleaseBusNs()), bus.Time(sets[len(sets)-1].GetReleaseBusNs())
	for at := first; at <= last; at = at.Add(period) {
		switch begun, decided := at < paused.Add(ahead), at < resumed.Add(ahead); {
		case at < paused && !have[at]:
			t.Fatalf("seed %d: mem has no job at %v, and was paused at %v", seed, at.Elapsed(), paused.Elapsed())
		case at >= paused && !begun && at < resumed && have[at]:
			t.Fatalf("seed %d: mem has a job at %v, and was paused at %v", seed, at.Elapsed(), paused.Elapsed())
		case !decided && !have[at]:
			t.Fatalf("seed %d: mem has no job at %v, and was resumed at %v", seed, at.Elapsed(), resumed.Elapsed())
		case !have[at]:
			left++
		}
	}
	if last < resumed || left == 0 {
		t.Errorf("seed %d: %d jobs left out, the last one at %v", seed, left, last.Elapsed())
	}
}

// TestAStopAfterAPauseOfAHostThatIsBehind: with a safe stop the jobs fail that were released before it, and before the
// pause of their task, although the task is paused by the time at which the lines are released.
func TestAStopAfterAPauseOfAHostThatIsBehind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := starvedRig(t, bus.Limits{}, starved{rng: rand.New(rand.NewPCG(1, 0)), next: 300 * time.Millisecond},
			memTask(100), countTask(25))
		end := r.begin(t)
		time.Sleep(1500 * time.Millisecond)
		paused := r.setPaused(t.Context(), t, map[string]bool{"mem": true}).Effective
		time.Sleep(25 * time.Millisecond)
		r.SafeStop(context.Background(), StopReason{By: "operator"})
		end()
		sets := r.watch.of("mem")
		first := bus.Time(sets[0].GetReleaseBusNs())
		if want := int(paused.Sub(first)/(10*time.Millisecond)) + 1; len(sets) != want {
			t.Errorf("%d jobs of mem have ended until its pause, want %d", len(sets), want)
		}
	})
}
