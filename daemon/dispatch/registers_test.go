package dispatch

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// TestOnDemandBetweenTasksThatDisagree: two tasks leave different patterns in one
// chip, so that nothing can be taken as written between jobs. What an on-demand job wrote
// there holds only until the next job; the on-demand job after it must not rely on it.
func TestOnDemandBetweenTasksThatDisagree(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		joined := &facetdv1.Task{Name: "joined", Target: list("s0"), RateHz: 50,
			Views: []*facetdv1.View{{Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}}}
		whole := &facetdv1.Task{Name: "whole", Target: list("s0"), RateHz: 10}
		r := newRig(t, realtime, 0, nil, joined, whole)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		for range 20 {
			time.Sleep(33 * time.Millisecond)
			for _, views := range [][]*facetdv1.View{nil, {{Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}}} {
				if _, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("s0"),
					Views: views}); err != nil {
					t.Fatal(err)
				}
				time.Sleep(21 * time.Millisecond)
			}
		}
		cancel()
		<-done
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}

// halfway makes every segment of one number stop before its last operations, with
// the registers written so far.
type halfway struct {
	bus.Bus
	at, n int
}

func (h *halfway) Run(ctx context.Context, start bus.Time, s *bus.Segment) (bus.Result, error) {
	h.n++
	if h.n != h.at {
		return h.Bus.Run(ctx, start, s)
	}
	half := *s
	half.Ops = nil
	for i := range s.Ops { // up to the first readout
		if s.Ops[i].Scan != nil {
			break
		}
		half.Ops = append(half.Ops, s.Ops[i])
	}
	res, err := h.Bus.Run(ctx, start, &half)
	return res, errors.Join(err, errors.New("a wire came off"))
}

// TestOnDemandThatBreaksOff leaves a chip of no task with registers that it wrote
// halfway: the next on-demand job must not take the old values as written.
func TestOnDemandThatBreaksOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := &halfway{at: -1}
		r := newRig(t, realtime, 0, func(b bus.Bus) bus.Bus { h.Bus = b; return h })
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		whole := &facetdv1.CaptureFramesRequest{Target: list("s0")}
		if _, err := r.Capture(ctx, whole); err != nil {
			t.Fatal(err)
		}
		for _, register := range []facetdv1.Register{chipmodel.ColumnPattern, chipmodel.RowPattern} {
			write := &facetdv1.Command{Target: list("s0"),
				Action: &facetdv1.Command_Write{Write: &facetdv1.RegisterWrite{Register: register}}}
			if _, err := r.Send(ctx, write); err != nil {
				t.Fatal(err)
			}
		}
		h.at = h.n + 1
		joined := &facetdv1.CaptureFramesRequest{Target: list("s0"),
			Views: []*facetdv1.View{{Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}}}
		if _, err := r.Capture(ctx, joined); err == nil {
			t.Fatal("a capture that broke off gave frames")
		}
		if _, err := r.Capture(ctx, whole); err != nil {
			t.Error(err)
		}
		cancel()
		<-done
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}

// TestCaptureBesideAProgram: a program of bring-up may leave other values than the
// table relies on, until Resync. A capture in between relies on what is there.
func TestCaptureBesideAProgram(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		views := []*facetdv1.View{{Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}}
		r := newRig(t, realtime, 0, nil, &facetdv1.Task{Name: "joined", Target: list("s0"), RateHz: 1, Views: views})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(100 * time.Millisecond)
		program := []bus.Op{
			bustest.Select(bustest.H | bustest.X0),
			bustest.Write(1, chipmodel.ColumnPattern, 0, bustest.S0),
			bustest.Select(0),
		}
		if _, err := r.Program(ctx, program); err != nil {
			t.Fatal(err)
		}
		if _, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("s0"), Views: views}); err != nil {
			t.Error(err)
		}
		r.Resync()
		time.Sleep(3 * time.Second)
		cancel()
		<-done
		if n := len(r.watch.of("joined")); n < 3 {
			t.Errorf("%d jobs in three seconds at 1 Hz", n)
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}

// TestJobsBesideAProgram: the jobs of a task between a program that changed its chip's registers and the resync do not
// read what the program left.
func TestJobsBesideAProgram(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, &facetdv1.Task{Name: "joined", Target: list("s0"), RateHz: 50,
			Views: []*facetdv1.View{{Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}}})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		for range 10 {
			time.Sleep(73 * time.Millisecond)
			program := []bus.Op{
				bustest.Select(bustest.H | bustest.X0),
				bustest.Write(1, chipmodel.ColumnPattern, 0, bustest.S0),
				bustest.Select(0),
			}
			if _, err := r.Program(ctx, program); err != nil {
				t.Fatal(err)
			}
		}
		time.Sleep(100 * time.Millisecond)
		cancel()
		<-done
		sets := r.watch.of("joined")
		if len(sets) < 40 {
			t.Errorf("%d jobs in 830 ms at 50 Hz", len(sets))
		}
		for i, fs := range sets {
			if fs.GetJob() != uint64(i) || fs.GetFailure() != "" || fs.GetLate() {
				t.Errorf("job %d: number %d, late %v, failure %q", i, fs.GetJob(), fs.GetLate(), fs.GetFailure())
			}
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}
