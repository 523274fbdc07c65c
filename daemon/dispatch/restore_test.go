package dispatch

import (
	"errors"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
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
