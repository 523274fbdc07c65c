package dispatch

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/api/clocksync"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// silent is a bus that gives no results any more after a number of them.
type silent struct {
	bus.BusCloser
	after int
}

var errDriver = errors.New("the driver has ended")

func (s *silent) Next(ctx context.Context) (bus.Result, error) {
	if s.after--; s.after < 0 {
		return bus.Result{}, errDriver
	}
	return s.BusCloser.Next(ctx)
}

// TestOpenJobsOfABusThatIsGivenUp: a job that is open when the bus fails for good is reported failed, with the cause,
// and counted; no other is.
func TestOpenJobsOfABusThatIsGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser { return &silent{b, 30} },
			memTask(100), countTask(30))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(2 * time.Second)
		everyJobEnded(t, r)
		failed := 0
		for _, fs := range r.watch.sets {
			if fs.GetFailure() == "" {
				continue
			}
			if failed++; !strings.Contains(fs.GetFailure(), errDriver.Error()) {
				t.Errorf("job %d of %s failed: %s", fs.GetJob(), fs.GetTask(), fs.GetFailure())
			}
		}
		var counted uint64
		for _, task := range r.Snapshot().Tasks {
			counted += task.GetStatus().GetJobsFailed()
		}
		if failed != 1 || counted != 1 {
			t.Errorf("%d jobs were reported failed and %d counted, want the one that was open", failed, counted)
		}
		cancel()
		if err := <-done; !errors.Is(err, errDriver) {
			t.Errorf("the end: %v", err)
		}
	})
}

// unprepared is a bus that cannot be prepared for what is asked for on demand.
type unprepared struct {
	bus.BusCloser
	refuse bool
}

var errMemory = errors.New("the executor's memory is full")

func (u *unprepared) Prepare(ctx context.Context, programs []*bus.Program) error {
	if u.refuse {
		return errMemory
	}
	return u.BusCloser.Prepare(ctx, programs)
}

// TestErrorsOnDemand: whoever asked on demand is told what went wrong, wherever it did, and gets no frames for it.
func TestErrorsOnDemand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := &unprepared{}
		fail := false
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser {
			u.BusCloser = failing(b, func(int) bool { return fail })
			return u
		})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		capture := func() error {
			got, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("m0")})
			if err == nil && len(got.FrameSet.GetFrames()) != 1 {
				t.Errorf("%d frames", len(got.FrameSet.GetFrames()))
			}
			return err
		}
		if err := capture(); err != nil {
			t.Error(err)
		}
		if err := r.Do(ctx, func() error { u.refuse = true; return nil }); err != nil {
			t.Error(err)
		}
		if err := capture(); !errors.Is(err, errMemory) {
			t.Errorf("a bus that cannot be prepared: %v", err)
		}
		if err := r.Do(ctx, func() error { u.refuse, fail = false, true; return errMemory }); err != errMemory {
			t.Errorf("Do: %v", err)
		}
		if err := capture(); err == nil || !strings.Contains(err.Error(), "a wire came off") {
			t.Errorf("a segment that failed: %v", err)
		}
		if sets := r.watch.of(""); len(sets) != 2 || sets[1].GetFailure() != "a wire came off" {
			t.Errorf("the captures that ran are reported as %v", sets)
		}
		cancel()
		<-done
	})
}

// TestWaitingJobsAreCompiledAnew: what an on-demand job writes depends on the timetable and on what ran before it.
func TestWaitingJobsAreCompiledAnew(t *testing.T) {
	r := newRig(t, free, 0, nil, memTask(100)).runner
	compiled := 0
	one := &onDemand{compile: func(program.Registers, *scheduler.Plan) (*program.OnDemandPlan, error) {
		compiled++
		return &program.OnDemandPlan{Time: time.Millisecond}, nil
	}}
	fits := func(why string, want int) {
		t.Helper()
		if err := r.fits(one, time.Second); err != nil {
			t.Error(err)
		}
		if compiled != want {
			t.Errorf("%s: it was compiled %d times, want %d", why, compiled, want)
		}
	}
	fits("at first", 1)
	fits("nothing changed", 1)
	r.tab = newTable(&r.standing, starting(0), r.tab)
	fits("another timetable", 2)
	fits("nothing changed", 2)
	r.onDemands++
	fits("another job ran", 3)
	r.onDemands++
	r.tab = newTable(&change{runs: programsOf(nil)}, starting(0), r.tab)
	fits("no timetable any more, after another job", 4)
}

// TestOutcomesOfJobs: failed before late, late before on time; each is counted as what it is, and a job that failed
// leaves no measurement of its response.
func TestOutcomesOfJobs(t *testing.T) {
	var s taskStats
	for _, c := range []struct {
		set  *facetdv1.FrameSet
		want bus.Outcome
	}{
		{&facetdv1.FrameSet{FinishBusNs: 5, Frames: make([]*facetdv1.Frame, 2)}, bus.Outcome{Kind: bus.OnTime}},
		{&facetdv1.FrameSet{FinishBusNs: 9, Late: true, SkewNs: 4, Frames: make([]*facetdv1.Frame, 3)},
			bus.Outcome{Kind: bus.Late}},
		{&facetdv1.FrameSet{FinishBusNs: 7, ReleaseBusNs: 1, Late: true, SkewNs: 2}, bus.Outcome{Kind: bus.Late}},
		{&facetdv1.FrameSet{FinishBusNs: 50, Failure: "burnt", Frames: make([]*facetdv1.Frame, 4)},
			bus.Outcome{Kind: bus.Failed, Cause: "burnt"}},
	} {
		if got := outcomeOf(c.set); got != c.want {
			t.Errorf("%v: %+v, want %+v", c.set, got, c.want)
		}
		s.ended(c.set)
	}
	s.task = &facetdv1.Task{}
	got := s.running(0, &runningTask{}).GetStatus()
	if got.GetJobsOnTime() != 1 || got.GetJobsLate() != 2 || got.GetJobsFailed() != 1 || got.GetFrames() != 5 ||
		got.GetLastResponseNs() != 6 || got.GetWorstResponseNs() != 9 || got.GetLastSkewNs() != 2 ||
		got.GetLastFailure() != "burnt" {
		t.Errorf("counted %v", got)
	}
}

// TestWhatAFrameAddsUp: a frame is read in pieces, of which it keeps the rows, the sum of the clipped pixels and the
// longest hold; the job is late where the bus measured its end after the deadline, and failed where rows are missing.
func TestWhatAFrameAddsUp(t *testing.T) {
	a := bustest.MustArray()
	r := newRig(t, free, 0, nil, memTask(100)).runner
	plan := r.standing.plan
	instant := func(bus.Time) clocksync.Instant {
		return clocksync.Instant{UTC: time.Unix(7, 5), Epoch: 2, Monotonic: 1234, Uncertainty: 3000,
			UTCUncertainty: 2999}
	}
	whole := func(end bus.Time) *facetdv1.FrameSet {
		job := newOpenJob(a, bus.Job{Task: "mem", Deadline: 100}, 5, plan.Tasks[0].Task.Views, plan.Tasks[0].Frames[:1])
		top := bus.Capture{Window: chipmodel.Window{Rows: 1, Columns: 3}, Codes: []uint16{1, 2, 3}, Low: 2, High: 1,
			FirstSample: 40, Hold: 9, Converted: 50}
		bottom := bus.Capture{Window: chipmodel.Window{Rows: 1, Columns: 3}, Codes: []uint16{4, 5, 0x106}, Low: 3,
			High:        4,
			FirstSample: 60, Hold: 7, Converted: 70, FirstRow: 1}
		job.take(&top, instant)
		if got := job.incomplete(); got != "m0 view-1" {
			t.Errorf("of half a frame %q is missing", got)
		}
		job.take(&bottom, instant)
		job.close(end, "")
		return job.set
	}
	set := whole(101)
	f := set.GetFrames()[0]
	if f.GetClippedLow() != 5 || f.GetClippedHigh() != 5 || f.GetHoldNs() != 9 || f.GetLastConvertedBusNs() != 70 ||
		f.GetFirstSampleBusNs() != 40 || f.GetRowOffsetNs()[0] != 0 || f.GetRowOffsetNs()[1] != 20 ||
		f.GetTimeUncertaintyNs() != 3000 || f.GetFirstSampleMonotonicNs() != 1234 || f.GetUtcEpoch() != 2 ||
		f.GetFirstSampleTime().GetSeconds() != 7 || f.GetFirstSampleTime().GetNanos() != 5 {
		t.Errorf("the frame is %v", f)
	}
	if got, want := string(f.GetData()), "\x01\x00\x02\x00\x03\x00\x04\x00\x05\x00\x06\x01"; got != want {
		t.Errorf("pixels %q, want %q", got, want)
	}
	if !set.GetLate() || set.GetFailure() != "" {
		t.Errorf("a job that ended past its deadline: late %v, failure %q", set.GetLate(), set.GetFailure())
	}
	if set := whole(100); set.GetLate() {
		t.Error("a job that ended at its deadline is late")
	}
}

// TestAMemberIsLateByItsOwnDeadline: tasks that share a load may have deadlines of their own.
func TestAMemberIsLateByItsOwnDeadline(t *testing.T) {
	r := newRig(t, free, 0, nil, memTask(100)).runner
	r.tab = newTable(&r.standing, starting(0), r.tab)
	for _, c := range []struct {
		after   time.Duration // its deadline after the end of the job
		failure string
		late    bool
	}{{0, "", false}, {-1, "", true}, {1, "", false}, {-1, "burnt", false}, {1, "burnt", false}} {
		job := r.tab.begin(r.cfg.Array, &scheduler.Entry{}, 0)
		job.set.FinishBusNs, job.set.Failure = 500, c.failure
		m := job.members[0]
		m.deadline = bus.Time(500).Add(c.after)
		if set := job.setOf(&m); set.GetLate() != c.late || set.GetFailure() != c.failure || len(set.GetFrames()) != 3 {
			t.Errorf("%+v: late %v, failure %q, %d frames", c, set.GetLate(), set.GetFailure(), len(set.GetFrames()))
		}
	}
}

// TestRefusedOnDemand: what the bus refused, or could not run as it was lost, may be asked for again; what failed for
// another reason is told as it is. Only what ran in part makes the registers doubtful.
func TestRefusedOnDemand(t *testing.T) {
	for _, c := range []struct {
		err          error
		again, doubt bool
	}{
		{&bus.RefusedError{Cause: bus.HostStall}, true, false},
		{&bus.LostError{Cause: errDriver}, true, true},
		{errDriver, false, true},
	} {
		r := newRig(t, free, 0, nil, memTask(100)).runner
		one := &onDemand{program: &program.OnDemandPlan{Chips: []int{bustest.M0}}}
		done := r.onDemandEnded(one, newOpenJob(r.cfg.Array, bus.Job{}, 0, nil, nil), &bus.Result{Err: c.err})
		if again := errors.As(done.err, new(*UnavailableError)); again != c.again || !errors.Is(done.err, c.err) ||
			(r.regs.held[bustest.M0][chipmodel.OutputEnable] == program.Unknown) != c.doubt {
			t.Errorf("%v: the caller is told %v (%T), registers %v", c.err, done.err, done.err, r.regs.held[bustest.M0])
		}
		if got := done.FrameSet.GetFailure(); got != c.err.Error() {
			t.Errorf("%v: the job is reported as %q", c.err, got)
		}
	}
}

// TestNumbersOfJobs: the jobs of a task and those of the bus are numbered without a gap, also from one timetable to the
// next.
func TestNumbersOfJobs(t *testing.T) {
	r := newRig(t, free, 0, nil, memTask(100), countTask(30)).runner
	r.tab = newTable(&r.standing, starting(0), r.tab)
	for want := range uint64(4) {
		if want == 2 {
			r.tab = newTable(&r.standing, starting(50), r.tab)
		}
		for i := range r.tab.plan.Tasks {
			job := r.tab.begin(r.cfg.Array, &scheduler.Entry{Task: i}, 0)
			if job.job.Number != want || job.members[0].number != want {
				t.Errorf("job %d of bus task %d has the numbers %d and %d", want, i, job.job.Number,
					job.members[0].number)
			}
		}
	}
}
