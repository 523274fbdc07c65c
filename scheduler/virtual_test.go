package scheduler_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel/scene"
	"facetd.example/scheduler"
)

// TestPredictedOnTheBus runs plans on the simulated bus: what its captures say of
// light and hold, and when its segments end, is what was predicted to the
// nanosecond, and its inspector sees no rule violated.
func TestPredictedOnTheBus(t *testing.T) {
	crawl, specs := crawler(t)
	small := &facetdv1.View{Binning: &facetdv1.Binning{Rows: 4, Columns: 4}}
	for name, p := range map[string]*scheduler.Plan{
		"crawler": mustBuild(t, crawl, specs...),
		"cut and snapped": mustBuild(t, bench(t, [5]int{6, 3, 3, 3, 2}),
			task("ring", "mems", 29.97, &facetdv1.View{SmoothingSteps: 2}, proto.CloneOf(small)),
			task("pair", "sws", 50, small),
			task("bed", "cnts", 31, fine0()), task("trim", "trims", 20), task("fast", "hexs", 900, tiny())),
	} {
		t.Run(name, func(t *testing.T) {
			if cut := len(p.Tasks[0].Segments) > 1; cut != (name != "crawler") {
				t.Errorf("the first task has %d segments", len(p.Tasks[0].Segments))
			}
			runOnBus(t, p)
		})
	}
}

// frameSeen is what the captures of one job say.
type frameSeen struct {
	first, last bus.Time
	hold        time.Duration
	any         bool
}

func runOnBus(t *testing.T, p *scheduler.Plan) {
	t.Helper()
	b, err := virtual.New(virtual.Config{Array: p.Array, Scene: scene.Uniform(200), Pace: facetdv1.Pace_PACE_FREE,
		Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	initialization := &bus.Job{Chips: p.Array.All(), Segments: 1, Deadline: bus.Time(time.Hour)}
	res, err := bustest.Run(t.Context(), b, 0, &bus.Segment{Job: initialization, Program: &p.Initialization})
	if err != nil {
		t.Fatal(err)
	}
	epoch := res.End
	if epoch != bus.Time(p.InitializationTime) {
		t.Errorf("the initialization takes %d ns, predicted %v", epoch, p.InitializationTime)
	}
	seen := make([]frameSeen, len(p.Tasks))
	skew, hold, worst := make([]time.Duration, len(p.Tasks)), make([]time.Duration, len(p.Tasks)),
		make([]time.Duration, len(p.Tasks))
	var busy bus.Phases
	table := p.Table()
	for i := range p.Entries {
		e := &p.Entries[i]
		seg := *table.Entries[i].Segment
		job := *seg.Job
		job.Release = epoch.Add(job.Release.Elapsed())
		job.Deadline = epoch.Add(job.Deadline.Elapsed())
		seg.Job = &job
		res, err := bustest.Run(t.Context(), b, epoch.Add(e.Start), &seg)
		if err != nil {
			t.Fatal(err)
		}
		if res.Start != epoch.Add(e.Start) || res.End != epoch.Add(e.End) {
			t.Errorf("segment %d runs from %d to %d, planned %d to %d", i, res.Start.Sub(epoch), res.End.Sub(epoch),
				e.Start, e.End)
		}
		busy.Add(res.Busy)
		s := &seen[e.Task]
		for k := range res.Captures {
			c := &res.Captures[k]
			s.hold = max(s.hold, c.Hold)
			if c.FirstRow > 0 {
				continue
			}
			if !s.any {
				s.first, s.last, s.any = c.Light, c.Light, true
			}
			s.first, s.last = min(s.first, c.Light), max(s.last, c.Light)
		}
		if e.Segment == len(p.Tasks[e.Task].Segments)-1 {
			skew[e.Task] = max(skew[e.Task], s.last.Sub(s.first))
			hold[e.Task] = max(hold[e.Task], s.hold)
			worst[e.Task] = max(worst[e.Task], res.End.Sub(job.Release))
			*s = frameSeen{}
		}
	}
	for i, pr := range p.Message.GetPredictions() {
		if pr.GetSkewNs() != int64(skew[i]) || pr.GetWorstHoldNs() != int64(hold[i]) ||
			pr.GetWorstResponseNs() != int64(worst[i]) {
			t.Errorf("task %s: skew %d, hold %d, response %d; predicted %d, %d, %d", pr.GetTask(), skew[i], hold[i],
				worst[i],
				pr.GetSkewNs(), pr.GetWorstHoldNs(), pr.GetWorstResponseNs())
		}
	}
	if busy != p.Busy {
		t.Errorf("busy %v, predicted %v", busy, p.Busy)
	}
}
