package dispatch

import (
	"errors"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/scheduler/program"
)

// crowded are tasks of which nearly always a job is open: there is hardly an instant at which all registers could be
// restored.
func crowded() []*facetdv1.Task {
	return []*facetdv1.Task{
		{Name: "fast", Target: list("h0"), RateHz: 12000, Deadline: durationpb.New(60 * time.Microsecond)},
		{Name: "mems", Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "mems"}}, RateHz: 2000},
		{Name: "joined", Target: list("s0"), RateHz: 12000, Views: []*facetdv1.View{joinedView}},
	}
}

// TestRestoresSingleChips: while a job of other chips is open, which is so almost always, the chip of a segment that
// broke off is restored by itself, before the next job that relies on it and without a loss to any other.
func TestRestoresSingleChips(t *testing.T) {
	var noted *bustest.Recorder
	broken := func(s *bus.Segment) bool { return s.Job.Task == "joined" && s.Job.Number%30 == 6 }
	r := newRig(t, free, 300*time.Millisecond, func(b bus.BusCloser) bus.BusCloser {
		noted = bustest.NewRecorder(b)
		return bustest.NewFaulty(noted, bustest.Fault{When: func(_ bus.Time, s *bus.Segment) bool { return broken(s) },
			Err: errors.New("a wire came off"), HalfWay: 2})
	}, crowded()...)
	if n := len(r.runner.standing.plan.Tasks[1].Segments); n < 2 {
		t.Fatalf("the job that is to be open has %d segments", n)
	}
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	alone, open := 0, false
	for _, rec := range noted.Records() {
		switch j := rec.Segment.Job; {
		case j.Task == "mems":
			open = rec.Segment.Index < j.Segments-1
		case j.Task == "" && len(j.Chips) == 1 && j.Chips[0] == bustest.S0 && rec.Result.Err == nil && open:
			alone++
		}
	}
	if alone < 3 {
		t.Errorf("a chip was restored by itself beside an open job %d times", alone)
	}
	for _, task := range crowded() {
		sets := r.watch.of(task.GetName())
		if least := int(task.GetRateHz()*0.28) - 2; len(sets) < least {
			t.Errorf("%d jobs of %s, want %d at least", len(sets), task.GetName(), least)
		}
		first := sets[0].GetReleaseBusNs()
		for i, fs := range sets {
			if fs.GetJob() != uint64(i) || fs.GetLate() ||
				(fs.GetFailure() != "") != (task.GetName() == "joined" && i%30 == 6) {
				t.Errorf("job %d of %s: number %d, late %v, failure %q", i, task.GetName(), fs.GetJob(), fs.GetLate(),
					fs.GetFailure())
			}
			if due := first + int64(float64(i)*1e9/task.GetRateHz()); fs.GetReleaseBusNs()-due > 1e3 {
				t.Fatalf("job %d of %s was released %d ns off its grid", i, task.GetName(), fs.GetReleaseBusNs()-due)
			}
		}
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}

// TestWhenToRestore: a chip in doubt is restored where there is time before the next segment, or where all jobs still
// end by their deadlines; after some jobs that failed for it whatever that makes late, but never where an open job has
// a limit of its hold that it could break, nor on a chip of an open job.
func TestWhenToRestore(t *testing.T) {
	begin := func(tight bool) (*runner, bus.Time) {
		r := newRig(t, free, 0, nil, memTask(100),
			&facetdv1.Task{Name: "joined", Target: list("s0"), RateHz: 100, Views: []*facetdv1.View{joinedView}}).runner
		plan := *r.standing.plan
		plan.Entries = slices.Clone(plan.Entries)
		for i := range plan.Entries {
			if tight {
				plan.Entries[i].Deadline = plan.Entries[i].End
			}
		}
		c := r.standing
		c.plan = &plan
		r.tab = newTable(&c, starting(0), r.tab)
		for plan.Tasks[plan.Entries[r.tab.next].Task].Task.Name != "joined" {
			r.tab.next++
		}
		r.regs.set(program.Overlay(r.regs.held, r.tab.assumes), r.tab.assumes)
		r.regs.lose([]int{bustest.S0}, r.tab.assumes)
		_, at := r.tab.entry()
		return r, at
	}
	other := func(r *runner) int { // the task that does not touch the chip
		return 1 - r.tab.plan.Entries[r.tab.next].Task
	}
	for _, c := range []struct {
		what  string
		tight bool
		early time.Duration // before the segment that needs it
		set   func(r *runner)
		want  bool
	}{
		{what: "there is time", tight: true, early: 20 * time.Microsecond, want: true},
		{what: "there is time beside an open job", tight: true, early: 20 * time.Microsecond, want: true,
			set: func(r *runner) {
				r.tab.open[other(r)] = &openJob{job: bus.Job{Chips: []int{bustest.M0},
					MaxHold: 1}}
			}},
		{what: "a job on the chip is open", early: 20 * time.Microsecond,
			set: func(r *runner) { r.tab.open[other(r)] = &openJob{job: bus.Job{Chips: []int{bustest.S0}}} }},
		{what: "nothing is late for it", want: true},
		{what: "a held load would be held for longer",
			set: func(r *runner) { r.tab.open[other(r)] = &openJob{job: bus.Job{Chips: []int{bustest.M0}}} }},
		{what: "a job would be late", tight: true},
		{what: "a job would be late, and one has failed", tight: true,
			set: func(r *runner) { r.tab.refused[r.tab.plan.Entries[r.tab.next].Task] = patience - 1 }},
		{what: "it has waited for too long", tight: true, want: true,
			set: func(r *runner) { r.tab.refused[r.tab.plan.Entries[r.tab.next].Task] = patience }},
		{what: "it has waited for too long, beside a limit", tight: true,
			set: func(r *runner) {
				r.tab.refused[r.tab.plan.Entries[r.tab.next].Task] = patience
				r.tab.open[other(r)] = &openJob{job: bus.Job{Chips: []int{bustest.M0}, MaxHold: 1}}
			}},
	} {
		r, at := begin(c.tight)
		if c.set != nil {
			c.set(r)
		}
		p := r.restorationAt(at.Add(-c.early))
		if (p != nil) != c.want {
			t.Errorf("%s: restored is %v", c.what, p != nil)
		}
		if p != nil && !slices.Equal(p.touches, []int{bustest.S0}) {
			t.Errorf("%s: it touches %v", c.what, p.touches)
		}
	}
}
