package dispatch

import (
	"math/rand/v2"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/scheduler"
)

// TestMakeRoom: wherever a table is, making room ends every job that was released before the instant that is found,
// each once and in order, and leaves nothing of a job that has begun to be run: the table can go on.
func TestMakeRoom(t *testing.T) {
	later := 0
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 0))
		rate := func() float64 { return []float64{700, 900, 1100, 1300, 2000, 3000, 6000, 7000, 9000}[rng.IntN(9)] }
		tasks := []*facetdv1.Task{memTask(rate()), countTask(rate()),
			{Name: "other", Target: list("s0"), RateHz: rate(),
				Deadline: durationpb.New(time.Duration(80+rng.IntN(30)) * time.Microsecond)}}
		if Fits(bustest.MustArray(), bus.Limits{}, tasks) != nil {
			continue
		}
		r := newRig(t, free, 0, nil, tasks...)
		run := r.runner
		run.tab = newTable(&run.standing, starting(bus.Time(time.Second)), run.tab)
		run.board.setTable(&run.standing, starting(run.tab.epoch))
		tab := run.tab
		passed := rng.IntN(len(tab.plan.Entries))
		before := tab.epoch.Add(tab.plan.Entries[passed].Start + time.Duration(rng.Int64N(int64(300*time.Microsecond))))
		if i, release, is := outOfOrder(tab.plan.Entries); is && rng.IntN(2) == 0 {
			passed, before = i, tab.epoch.Add(release+1)
		}
		for range passed {
			run.passEntry(rng)
		}
		found := run.makeRoom(before, "room is made")
		if later += int(min(found-before, 1)); found < before || !tab.idle() && tab.due() < found {
			t.Fatalf("seed %d: room from %d on is found at %d, the next release is at %d", seed, before, found,
				tab.due())
		}
		if len(run.jobs) > 0 || len(tab.open) > 0 {
			t.Fatalf("seed %d: jobs are open", seed)
		}
		begun := map[int]bool{}
		for c, i := tab.ahead(), 0; i < len(tab.plan.Entries); i++ {
			e, _ := c.entry()
			if e.Segment > 0 && !begun[e.Task] {
				t.Fatalf("seed %d: segment %d of a job is next that has not begun", seed, e.Segment)
			}
			begun[e.Task] = !tab.last(e)
			c.advance()
		}
		run.endedBefore(t, r.watch, found)
	}
	if later == 0 {
		t.Error("no job was to begin before one that waited; the test needs some")
	}
}

// outOfOrder finds an entry that is to begin before one of the six behind it that was released earlier, and when that
// was.
func outOfOrder(entries []scheduler.Entry) (at int, release time.Duration, is bool) {
	for i := range entries {
		for _, e := range entries[i:min(i+6, len(entries))] {
			if entries[i].Segment == 0 && e.Release < entries[i].Release {
				return i, e.Release, true
			}
		}
	}
	return 0, 0, false
}

// passEntry passes one entry of the table: its job has ended by then, fails, or is open.
func (r *runner) passEntry(rng *rand.Rand) {
	e, at := r.tab.entry()
	if r.tab.skipped[e.Task] {
		r.pass(e)
		return
	}
	if e.Segment == 0 {
		r.jobs = append(r.jobs, r.tab.begin(r.cfg.Array, e, at))
	}
	job := r.tab.open[e.Task]
	switch job.ran++; {
	case rng.IntN(4) == 0:
		r.give(job, "a fault")
	case r.tab.last(e):
		delete(r.tab.open, e.Task)
		r.endJob(job, at, "")
	}
	r.pass(e)
}

// endedBefore checks that the jobs that have ended are those released before a bus time.
func (r *runner) endedBefore(t *testing.T, w *watcher, until bus.Time) {
	t.Helper()
	for _, spec := range r.cfg.Tasks {
		var released []bus.Time
		for start := r.tab.epoch; start < until; start = start.Add(r.tab.plan.Hyperperiod) {
			for _, e := range r.tab.plan.Entries {
				if e.Segment == 0 && r.tab.plan.Tasks[e.Task].Task.Name == spec.GetName() &&
					start.Add(e.Release) < until {
					released = append(released, start.Add(e.Release))
				}
			}
		}
		sets := w.of(spec.GetName())
		if len(sets) != len(released) {
			t.Fatalf("%d jobs of %s have ended, %d were released before %d", len(sets), spec.GetName(), len(released),
				until)
		}
		for i, fs := range sets {
			if fs.GetJob() != uint64(i) || bus.Time(fs.GetReleaseBusNs()) != released[i] {
				t.Fatalf("job %d of %s: number %d, released at %d, want %d", i, spec.GetName(), fs.GetJob(),
					fs.GetReleaseBusNs(), released[i])
			}
		}
	}
}
