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
type halfway struct{ at, n int }

func (h *halfway) run(ctx context.Context, start bus.Time, s *bus.Segment, run bustest.RunFunc) (bus.Result, error) {
	h.n++
	if h.n != h.at {
		return run(ctx, start, s)
	}
	half := *s
	half.Program = &bus.Program{}
	for i := range s.Ops { // up to the first readout
		if s.Ops[i].Scan != nil {
			break
		}
		half.Ops = append(half.Ops, s.Ops[i])
	}
	res, err := run(ctx, start, &half)
	return res, errors.Join(err, errors.New("a wire came off"))
}

// TestOnDemandThatBreaksOff leaves a chip of no task with registers that it wrote
// halfway: the next on-demand job must not take the old values as written.
func TestOnDemandThatBreaksOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := &halfway{at: -1}
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser { return bustest.Intercept(b, h.run) })
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

// TestAProgramThatCameTooLate: a program, or a capture on demand, that is refused is handed over again, so often and no
// more; one that broke off is not.
func TestAProgramThatCameTooLate(t *testing.T) {
	late := &bus.RefusedError{Cause: bus.LinkDelay}
	broken := errors.New("a wire came off")
	for name, c := range map[string]struct {
		err         error
		times, runs int
		fails       bool
	}{"twice": {late, 2, 3, false}, "always": {late, 0, programTries, true}, "broken off": {broken, 0, 1, true}} {
		synctest.Test(t, func(t *testing.T) {
			runs := 0
			r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser {
				return bustest.NewFaulty(b, bustest.Fault{Err: c.err, Times: c.times,
					When: func(bus.Time, *bus.Segment) bool {
						runs++
						return true
					}})
			})
			end := r.begin(t)
			_, err := r.Program(t.Context(), []bus.Op{bustest.Select(bustest.H | bustest.X0), bustest.Select(0)})
			if (err != nil) != c.fails || runs != c.runs {
				t.Errorf("%s: handed over %d times, %v; want %d", name, runs, err, c.runs)
			}
			_ = end() // the test is about what was before
		})
		synctest.Test(t, func(t *testing.T) {
			runs := 0
			r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser {
				return bustest.NewFaulty(b, bustest.Fault{Err: c.err, Times: c.times,
					When: func(bus.Time, *bus.Segment) bool {
						runs++
						return true
					}})
			})
			end := r.begin(t)
			got, err := r.Capture(t.Context(), &facetdv1.CaptureFramesRequest{Target: list("m0")})
			if (err != nil) != c.fails || runs != c.runs || err == nil && len(got.FrameSet.GetFrames()) != 1 {
				t.Errorf("%s: a capture was handed over %d times, %v; want %d", name, runs, err, c.runs)
			}
			_ = end() // the test is about what was before
		})
	}
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

// TestResyncForgets: whoever asks for a resync does not know what happened to the chips. A capture of one that no task
// reads does not rely on what was written to it before.
func TestResyncForgets(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(20))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		whole := &facetdv1.CaptureFramesRequest{Target: list("s0")}
		if _, err := r.Capture(ctx, whole); err != nil {
			t.Fatal(err)
		}
		if err := r.Do(ctx, func() error { // the chip loses its supply for a moment
			b := r.bus
			program := []bus.Op{bustest.Select(bustest.H | bustest.X0),
				bustest.Write(1, chipmodel.ColumnPattern, 0x55, bustest.S0), bustest.Select(0)}
			job := &bus.Job{Task: "nobody's", Release: b.Now(), Deadline: b.Now().Add(time.Second), Segments: 1}
			_, err := bustest.Run(ctx, b, b.Now(), &bus.Segment{Job: job, Program: &bus.Program{Ops: program}})
			b.Inspector().JobEnded(job, bus.Outcome{Kind: bus.OnTime})
			return err
		}); err != nil {
			t.Fatal(err)
		}
		r.Resync()
		time.Sleep(100 * time.Millisecond)
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

// TestViolationsBesideTheTable: rules that an initialization or an on-demand job violates are reported like those of
// the table's jobs.
func TestViolationsBesideTheTable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(20))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		program := []bus.Op{bustest.Select(bustest.F | bustest.X0),
			bustest.Write(1, chipmodel.ColumnPattern, 0, bustest.M0, bustest.M1), bustest.Select(0)}
		if _, err := r.Program(ctx, program); err == nil {
			t.Error("a program that does not reach all of its target gave no error")
		}
		cancel()
		<-done
		if n := r.Snapshot().Violations; n != 1 || len(r.watch.violations) != 1 {
			t.Errorf("%d violations counted, reported: %v", n, r.watch.violations)
		}
	})
}

// TestOnDemandThatLosesAll: what stops an on-demand job may take every register of its chips along, not only those that
// it writes.
func TestOnDemandThatLosesAll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := &halfway{at: -1}
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser { return bustest.Intercept(b, h.run) },
			memTask(20))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(50 * time.Millisecond)
		if _, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("t0")}); err != nil {
			t.Fatal(err)
		}
		if err := r.Do(ctx, func() error { h.at = h.n + 1; return nil }); err != nil {
			t.Fatal(err)
		}
		if _, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("t0")}); err == nil {
			t.Fatal("a capture that broke off gave frames")
		}
		for reg, v := range r.Registers()[bustest.T0] {
			if restored := facetdv1.Register(reg) == chipmodel.OutputEnable; v >= 0 && reg != 0 && !restored {
				t.Errorf("%v is taken to be %d still", facetdv1.Register(reg), v)
			}
		}
		cancel()
		<-done
		if h.n == h.at {
			t.Error("the output was not disabled after it")
		}
	})
}
