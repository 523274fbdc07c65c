package dispatch

import (
	"math/rand/v2"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// promisedCapture is a capture with what was told of it just before it was asked for.
type promisedCapture struct {
	one  *onDemand
	told *facetdv1.PreviewCaptureResponse
}

// TestQueuedCapturesWaitAsPredicted: several captures are asked for at once or one after another at random instants,
// while others wait or run. None ends later than was told just before it was asked for: its own worst end, and what
// those before it add.
func TestQueuedCapturesWaitAsPredicted(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	targets := []*facetdv1.Target{list("c0"), list("m0", "m1"), list("m1", "h0", "c0"), list("h0"), list("t0"),
		list("m0", "m1", "m2")}
	views := [][]*facetdv1.View{nil, {{Window: &facetdv1.Window{Rows: 2, Columns: 3}}}, {{SmoothingSteps: 1}}}
	asked, queued, tight := 0, 0, int64(1)<<62
	for range peertest.Cases(4, 100) {
		b := &asking{}
		late := sporadicTask("late", list("s0"), 20*time.Millisecond, 5*time.Millisecond)
		r := newRig(t, free, 0, func(inner bus.BusCloser) bus.BusCloser { b.BusCloser = inner; return b },
			memTask(float64(int(500)<<rng.IntN(4))), countTask(float64(int(250)<<rng.IntN(3))), late)
		plan := r.runner.standing.plan
		at := firstStart.Add(plan.InitializationTime)
		for range 100 {
			at = at.Add(time.Duration(rng.Int64N(int64(plan.Hyperperiod)/(1<<rng.IntN(6)) + 1)))
			for range 1 + rng.IntN(3) {
				b.times = append(b.times, at)
			}
		}
		r.runner.cfg.StopAt = at.Add(10 * plan.Hyperperiod)
		var all []promisedCapture
		b.ask = func(at bus.Time) {
			ask := &facetdv1.CaptureFramesRequest{Target: targets[rng.IntN(len(targets))],
				Views: views[rng.IntN(len(views))]}
			told, err := r.PreviewCapture(t.Context(), &facetdv1.PreviewCaptureRequest{Target: ask.Target,
				Views: ask.Views})
			if err != nil {
				return // it fits nowhere, or the class has no such view
			}
			one := &onDemand{asked: at, done: make(chan onDemandDone, 1),
				compile: func(state program.Registers, _ *scheduler.Plan) (*program.OnDemandPlan, error) {
					return scheduler.OnDemand(r.array, ask.GetTarget(), ask.GetViews(), state)
				}}
			if r.box.putJob(one) == nil {
				all = append(all, promisedCapture{one, told})
			}
		}
		if err := r.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		for i, c := range all {
			done := <-c.one.done
			if done.err != nil {
				t.Fatal(done.err)
			}
			if c.told.WorstEndNs == nil || c.told.WaitingAddsNs == nil {
				continue
			}
			took := done.FrameSet.GetFinishBusNs() - c.one.asked.NS()
			most := c.told.GetWorstEndNs() + c.told.GetWaitingAddsNs()
			if took > most {
				t.Errorf("capture %d of %d took %d ns, told were %d: %v", i, len(all), took, most, c.told)
			}
			asked++
			if c.told.GetWaiting() > 0 {
				queued++
				tight = min(tight, most-took)
			}
		}
	}
	t.Logf("%d captures, %d behind others; the nearest to what was told was %v below it", asked, queued,
		time.Duration(tight))
	if asked < 100 || queued < asked/4 {
		t.Error("too few")
	}
}
