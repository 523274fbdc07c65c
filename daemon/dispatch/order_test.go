package dispatch

import (
	"math/rand/v2"
	"testing"
	"time"

	"facetd.example/bus"
)

// TestJobsEndInTheirOrder: whichever jobs are given up while others of their tasks are in flight, those of a task are
// reported in the order in which they were released, each once, with how it ended.
func TestJobsEndInTheirOrder(t *testing.T) {
	overtaken := 0
	for seed := range uint64(100) {
		rng := rand.New(rand.NewPCG(seed, 0))
		r := newRig(t, free, 0, nil, memTask(300), countTask(500))
		run := r.runner
		run.tab = newTable(&run.standing, starting(bus.Time(time.Second)), run.tab)
		run.board.setTable(&run.standing, starting(run.tab.epoch))
		for len(run.jobs) < 20 {
			e, at := run.tab.entry()
			if e.Segment == 0 {
				run.jobs = append(run.jobs, run.tab.begin(run.cfg.Array, e, at))
			}
			run.pass(e)
		}
		begun := append([]*openJob(nil), run.jobs...)
		failed := map[*openJob]bool{}
		for _, i := range rng.Perm(len(begun)) {
			if failed[begun[i]] = rng.IntN(2) == 0; failed[begun[i]] {
				run.give(begun[i], "a fault")
				run.give(begun[i], "another, of what was given up")
			} else {
				for k, f := range begun[i].frames {
					begun[i].rows[k] = f.Window.Rows
				}
				run.endJob(begun[i], begun[i].job.Deadline, "")
			}
			overtaken += min(len(run.jobs)-(len(begun)-len(failed)), 1)
		}
		if len(run.jobs) > 0 {
			t.Fatalf("seed %d: %d jobs were not reported", seed, len(run.jobs))
		}
		next := map[string]int{}
		for _, job := range begun {
			sets := r.watch.of(job.job.Task)
			i := next[job.job.Task]
			next[job.job.Task]++
			want := ""
			if failed[job] {
				want = "a fault"
			}
			if i >= len(sets) || bus.Time(sets[i].GetReleaseBusNs()) != job.job.Release ||
				sets[i].GetFailure() != want {
				t.Fatalf("seed %d: job %d of %s, released at %d, with %q, is not reported in its place", seed, i,
					job.job.Task, job.job.Release, want)
			}
		}
	}
	if overtaken < 100 {
		t.Errorf("%d times a job ended before one in front of it; the test needs more", overtaken)
	}
}

// TestGivenUpAheadIsNotRepeated: a job that was given up before it was released is of the table that told it; the next
// one begins behind it, as does one for which room is made.
func TestGivenUpAheadIsNotRepeated(t *testing.T) {
	for _, limits := range []bus.Limits{{}, {LeastLead: time.Millisecond, Queue: 16}} {
		r, _ := farRig(t, free, 0, limits, nil, memTask(300), countTask(500))
		run := r.runner
		run.tab = newTable(&run.standing, starting(bus.Time(time.Second)), run.tab)
		run.board.setTable(&run.standing, starting(run.tab.epoch))
		var last bus.Time
		for range 60 {
			e, at := run.tab.entry()
			if e.Segment == 0 {
				job := run.tab.begin(run.cfg.Array, e, at)
				last = max(last, job.job.Release)
				run.jobs = append(run.jobs, job)
			}
			run.pass(e)
		}
		room := run.makeRoom(run.tab.epoch, "room is made")
		if room <= last {
			t.Errorf("%+v: room from %d on, and a job released at %d was told", limits, room, last)
		}
		instants := 0
		for now := run.tab.epoch; now < last.Add(5*time.Millisecond); now = now.Add(100 * time.Microsecond) {
			at, quiescent := run.quiescent(now)
			if quiescent {
				instants++
			}
			if quiescent && at <= last {
				t.Errorf("%+v: a change may be made at %d, and a job released at %d was told", limits, at, last)
			}
		}
		if instants == 0 {
			t.Errorf("%+v: no change may be made behind what was told", limits)
		}
	}
}
