package dispatch

import (
	"context"
	"math/rand/v2"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// asking asks for captures at bus times of its own, in order.
type asking struct {
	bus.BusCloser
	times []bus.Time
	ask   func(at bus.Time)
	at    bus.Time // while it asks
}

func (b *asking) Now() bus.Time {
	if b.at > 0 {
		return b.at
	}
	return b.BusCloser.Now()
}

// until asks for what is due by a bus time.
func (b *asking) until(at bus.Time) {
	for len(b.times) > 0 && b.times[0] <= at {
		b.at = b.times[0]
		b.ask(b.at)
		b.at, b.times = 0, b.times[1:]
	}
}

func (b *asking) WaitUntil(ctx context.Context, at bus.Time) error {
	for len(b.times) > 0 && b.times[0] <= at && ctx.Err() == nil {
		if err := b.BusCloser.WaitUntil(ctx, b.times[0]); err != nil {
			return err
		}
		b.until(b.times[0]) // it ends ctx
	}
	return b.BusCloser.WaitUntil(ctx, at)
}

func (b *asking) Next(ctx context.Context) (bus.Result, error) {
	res, err := b.BusCloser.Next(ctx)
	b.until(res.End)
	return res, err
}

// TestCaptureWaitsAsPredicted: captures that are asked for at many instants of the cycle, at those just too late for
// each gap among them, wait on the dispatcher for as long as was predicted at most, and one of them exactly that.
func TestCaptureWaitsAsPredicted(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for _, target := range []*facetdv1.Target{list("c0"), list("m0", "m1"), list("m1", "h0", "c0")} {
		ask := &facetdv1.CaptureFramesRequest{Target: target}
		b := &asking{}
		r := newRig(t, free, 0, func(inner bus.BusCloser) bus.BusCloser { b.BusCloser = inner; return b },
			memTask(100), countTask(250), &facetdv1.Task{Name: "hex", Target: list("h0"), RateHz: 125})
		plan := r.runner.standing.plan
		begin := firstStart.Add(plan.InitializationTime)
		var offsets []time.Duration
		for i := range plan.Entries {
			for range 4 {
				offsets = append(offsets, time.Duration(rng.Int64N(int64(plan.Hyperperiod))))
			}
			o, err := scheduler.OnDemand(r.array, target, nil,
				program.Overlay(program.PowerOn(r.array), plan.Assumes()))
			if err != nil {
				t.Fatal(err)
			}
			offsets = append(offsets, plan.Hyperperiod+plan.Entries[i].Start-o.Time+1)
		}
		for i, offset := range offsets {
			b.times = append(b.times, begin.Add(time.Duration(3*(i+1))*plan.Hyperperiod+offset))
		}
		var asked []*onDemand
		var promised *facetdv1.PreviewCaptureResponse
		b.ask = func(at bus.Time) {
			if promised == nil {
				var err error
				if promised, err = r.PreviewCapture(t.Context(),
					&facetdv1.PreviewCaptureRequest{Target: target}); err != nil {
					t.Error(err)
				}
			}
			one := &onDemand{asked: at, done: make(chan onDemandDone, 1),
				compile: func(state program.Registers, _ *scheduler.Plan) (*program.OnDemandPlan, error) {
					return scheduler.OnDemand(r.array, ask.GetTarget(), nil, state)
				}}
			asked = append(asked, one)
			if err := r.box.putJob(one); err != nil {
				t.Error(err)
			}
		}
		last := b.times[len(b.times)-1].Add(3 * plan.Hyperperiod)
		r.runner.cfg.StopAt = last
		if err := r.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		compareWaits(t, asked, promised)
		if len(asked) != len(offsets) || len(r.watch.violations) > 0 {
			t.Errorf("%d of %d captures; rules violated: %v", len(asked), len(offsets), r.watch.violations)
		}
	}
}

// compareWaits holds what captures have waited against what was promised of them.
func compareWaits(t *testing.T, asked []*onDemand, promised *facetdv1.PreviewCaptureResponse) {
	t.Helper()
	var start, sample, end int64
	for _, one := range asked {
		done := <-one.done
		if done.err != nil {
			t.Fatal(done.err)
		}
		start = max(start, done.FrameSet.GetStartBusNs()-one.asked.NS())
		end = max(end, done.FrameSet.GetFinishBusNs()-one.asked.NS())
		first := done.FrameSet.GetFrames()[0].GetFirstSampleBusNs()
		for _, f := range done.FrameSet.GetFrames() {
			first = min(first, f.GetFirstSampleBusNs())
		}
		sample = max(sample, first-one.asked.NS())
	}
	if start != promised.GetWorstStartNs() || sample != promised.GetWorstFirstSampleNs() ||
		end != promised.GetWorstEndNs() || !promised.GetExact() || promised.GetWaitingAddsNs() != 0 {
		t.Errorf("the longest waits of %d captures were %d, %d and %d ns; %v", len(asked), start, sample, end, promised)
	}
}
