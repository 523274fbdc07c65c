package dispatch

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// TestSpreadOfTheLight: of the frames of which something was read, and of them alone.
func TestSpreadOfTheLight(t *testing.T) {
	frames := []*facetdv1.Frame{{LightBusNs: 1}, {LightBusNs: 50}, {}, {LightBusNs: 44}, {LightBusNs: 99}}
	for _, c := range []struct {
		rows []int
		want int64
	}{{[]int{0, 3, 0, 1, 0}, 6}, {[]int{0, 0, 0, 0, 1}, 0}, {[]int{1, 1, 0, 1, 1}, 98}, {[]int{0, 0, 0, 0, 0}, 0}} {
		if got := skewOf(frames, c.rows); got != c.want {
			t.Errorf("rows %v: %d ns, want %d", c.rows, got, c.want)
		}
	}
}

// TestEndsOfJobs: one that lacks rows has failed and says of which frame; one of a task has a deadline, one on demand
// has none.
func TestEndsOfJobs(t *testing.T) {
	r := newRig(t, free, 0, nil, memTask(100)).runner
	task := r.standing.plan.Tasks[0]
	for _, name := range []string{"mem", ""} {
		job := newOpenJob(bustest.MustArray(), bus.Job{Task: name, Deadline: 100}, 5, task.Task.Views, task.Frames)
		job.close(60, "")
		if got := job.set; got.GetFailure() != "frame m0 view-1 is incomplete" || got.GetLate() ||
			(got.GetDeadlineBusNs() == 100) != (name != "") || got.GetFinishBusNs() != 60 {
			t.Errorf("task %q: %v", name, got)
		}
	}
}

// TestWordsByWhatTheyReach: counted as often as they are given, by the chips that listen.
func TestWordsByWhatTheyReach(t *testing.T) {
	a := bustest.MustArray()
	r := newRig(t, free, 0, nil, memTask(100)).runner
	ops := []bus.Op{bustest.Select(bustest.H | bustest.X0), bustest.Select(0), bustest.Select(a.Chips[0].Wires),
		bustest.Select(^chipmodel.LineSet(0) >> (64 - len(a.Message.GetSelectLines())))}
	var family chipmodel.LineSet
	for i := range 3 {
		family |= a.Chips[i].Wires
	}
	ops = append(ops, bustest.Select(family), bustest.Write(1, chipmodel.Gain, 0, bustest.S0))
	for range 2 { // the second time from what is known
		if got := r.report.wordsOf(append(ops, ops...)); got != (WordCount{Broadcast: 2, Group: 2, Single: 4}) {
			t.Errorf("%+v", got)
		}
	}
}

// TestWhatTheBoardShowsOfTime: never earlier than until when the bus was used, which on a bus at the free pace is ahead
// of its clock.
func TestWhatTheBoardShowsOfTime(t *testing.T) {
	var b board
	b.used(500, bus.Phases{})
	if s := b.snapshot(100, 0); s.Now != 500 || s.Measured != 500 {
		t.Errorf("at %d, measured over %v", s.Now, s.Measured)
	}
	if s := b.snapshot(900, 0); s.Now != 900 || s.Measured != 500 {
		t.Errorf("at %d, measured over %v", s.Now, s.Measured)
	}
}

// TestMailboxAnswersOnce: whoever waits is answered once, by a stop or the end, also where there is a second one; who
// has gone away is forgotten.
func TestMailboxAnswersOnce(t *testing.T) {
	cause, box := errors.New("the end"), &mailbox{}
	first, second := &onDemand{done: make(chan onDemandDone, 1)}, &onDemand{done: make(chan onDemandDone, 1)}
	if err := box.putJob(first); err != nil {
		t.Fatal(err)
	}
	box.stopFor(ask("ada", "a cable is loose"))
	if len(box.jobs()) != 0 || len(first.done) != 1 {
		t.Errorf("a stop leaves %d jobs, %d answers", len(box.jobs()), len(first.done))
	}
	box.unlatch(box.stopped().Revision)
	begun := make(chan struct{})
	if err := errors.Join(box.putJob(second), box.watch(begun)); err != nil {
		t.Fatal(err)
	}
	box.unwatch(begun)
	if len(box.watchers) != 0 {
		t.Error("who has gone away is answered")
	}
	for range 2 {
		box.end(cause, LineRelease{})
	}
	if done := <-second.done; !errors.Is(done.err, cause) || len(second.done) != 0 {
		t.Errorf("it ended with %v", done.err)
	}
}

// TestAResumeThatIsWithdrawn is not made, and can be asked for again.
func TestAResumeThatIsWithdrawn(t *testing.T) {
	box, c := &mailbox{}, &change{}
	box.stopFor(ask("ada", "a cable is loose"))
	for range 2 {
		if _, err := box.putResume(0, c); err != nil {
			t.Fatal(err)
		}
		if !box.withdrawResume(c) || box.withdrawResume(c) {
			t.Error("it is withdrawn once")
		}
	}
	if taken, _ := box.takeResume(); taken != nil {
		t.Error("it was taken all the same")
	}
}

// TestGapsToTheNanosecond: an on-demand job runs in a gap of just its length, and all registers are restored in just
// the time before the next segment.
func TestGapsToTheNanosecond(t *testing.T) {
	r := newRig(t, free, 0, nil, memTask(100)).runner
	r.tab = newTable(&r.standing, starting(bus.Time(time.Second)), r.tab)
	one := &onDemand{compile: func(program.Registers, *scheduler.Plan) (*program.OnDemandPlan, error) {
		return &program.OnDemandPlan{Time: time.Millisecond}, nil
	}}
	if err := r.fits(one, time.Millisecond); err != nil {
		t.Error(err)
	}
	if err := r.fits(one, time.Millisecond-1); !errors.Is(err, errLater) {
		t.Errorf("a nanosecond less: %v", err)
	}
	_, at := r.tab.upcoming()
	begin := at.Add(-r.tab.plan.InitializationTime)
	if !r.tab.initializable(begin, at) || r.tab.initializable(begin+1, at) {
		t.Error("an initialization that ends as the next segment begins")
	}
}

// TestDelaysThatAreAbsorbed: whether nothing is late when nothing begins before a bus time, beside going through the
// table as it stands, segment after segment.
func TestDelaysThatAreAbsorbed(t *testing.T) {
	plain := func(tab *table, from bus.Time) bool {
		free := from
		for cycle := range bus.Time(3) {
			for i := range tab.plan.Entries {
				e, start := &tab.plan.Entries[i], tab.epoch+cycle*bus.Time(tab.plan.Hyperperiod)
				begin := max(start.Add(e.Start), free)
				if begin == start.Add(e.Start) {
					return true
				}
				free = begin.Add(e.End - e.Start)
				if tab.last(e) && free > start.Add(e.Deadline) {
					return false
				}
			}
		}
		return false
	}
	rng := rand.New(rand.NewPCG(1, 5))
	yes, no := 0, 0
	for range 30 {
		task := memTask(100 + float64(rng.IntN(900)))
		task.Deadline = durationpb.New(time.Duration(700+rng.IntN(300)) * time.Microsecond)
		r := newRig(t, free, 0, nil, task, countTask(100+float64(rng.IntN(900)))).runner
		tab := newTable(&r.standing, starting(bus.Time(time.Second)), r.tab)
		// The edges: a delay with which some job ends just at its deadline.
		for i := range tab.plan.Entries {
			e := &tab.plan.Entries[i]
			for delta := bus.Time(-1); delta <= 1; delta++ {
				from := tab.epoch.Add(e.Start+e.Deadline-e.End) + delta
				got, want := tab.absorbs(from, nil), plain(tab, from)
				if got != want {
					t.Fatalf("from %v on: %v, want %v", from.Sub(tab.epoch), got, want)
				}
				if want {
					yes++
				} else {
					no++
				}
			}
		}
	}
	if yes < 10 || no < 10 {
		t.Errorf("%d delays are absorbed, %d not", yes, no)
	}
}

// TestRecalledJobsOfDoubtedChips: a job that was recalled before it began is not begun on chips whose registers are
// unknown; one that has begun goes on.
func TestRecalledJobsOfDoubtedChips(t *testing.T) {
	for _, segment := range []int{0, 1} {
		r := newRig(t, free, 0, nil, crowded()...).runner
		if err := r.prepare(t.Context()); err != nil {
			t.Fatal(err)
		}
		r.tab = newTable(&r.standing, starting(bus.Time(time.Second)), r.tab)
		var entry *scheduler.Entry
		for i := range r.tab.plan.Entries {
			if e := &r.tab.plan.Entries[i]; e.Segment == segment && len(r.tab.plan.Tasks[e.Task].Segments) > 1 &&
				entry == nil {
				entry = e
			}
		}
		job := r.tab.begin(r.cfg.Array, entry, bus.Time(time.Second))
		r.jobs = append(r.jobs, job)
		r.regs.lose(job.job.Chips, r.tab.assumes)
		at := bus.Time(time.Second).Add(entry.Start)
		r.again = []*flight{{segment: bus.Segment{Job: &job.job, Index: segment,
			Program: r.tab.runs.segments[entry.Task][segment], Into: job.codes}, start: at,
			end: at.Add(entry.End - entry.Start), job: job, entry: entry}}
		_ = r.submitAgain(t.Context(), t.Context(), 0) // what becomes of it on the bus is another question
		if got := job.set.GetFailure() == notRestored; got != (segment == 0) || len(r.again) != 0 {
			t.Errorf("segment %d: %q", segment, job.set.GetFailure())
		}
	}
}

// TestRegistersAfterAnInitialization: one that broke off leaves every register unknown, one that was refused leaves
// all as it was.
func TestRegistersAfterAnInitialization(t *testing.T) {
	for name, c := range map[string]struct {
		err  error
		lost bool
	}{"broken off": {errors.New("a wire came off"), true},
		"refused": {&bus.RefusedError{Cause: bus.Recalled}, false}} {
		r := newRig(t, free, 0, func(b bus.BusCloser) bus.BusCloser {
			return bustest.Intercept(b, func(_ context.Context, start bus.Time, _ *bus.Segment,
				_ bustest.RunFunc) (bus.Result, error) {
				return bus.Result{Start: start, End: start}, c.err
			})
		}, memTask(100), &facetdv1.Task{Name: "joined", Target: list("s0"), RateHz: 50,
			Views: []*facetdv1.View{joinedView}}).runner
		known := func() (n int) {
			for _, chip := range r.regs.held {
				for _, v := range chip {
					if v != program.Unknown {
						n++
					}
				}
			}
			return n
		}
		before := known()
		if _, err := r.initialize(t.Context(), r.standing.plan, r.standing.runs, bus.Time(time.Second)); err == nil {
			t.Fatalf("%s: it did not fail", name)
		}
		if after := known(); before == 0 || c.lost && after != 0 || !c.lost && after != before {
			t.Errorf("%s: %d registers are known, before it %d", name, after, before)
		}
	}
}

// TestAnArrayWithoutTasksRunsToItsEnd: until the bus time that was asked for and no longer, whatever comes in before.
func TestAnArrayWithoutTasksRunsToItsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, time.Second, nil)
		begin := time.Now()
		done := make(chan error, 1)
		go func() { done <- r.Run(t.Context()) }()
		for range 3 {
			time.Sleep(200 * time.Millisecond)
			if _, err := r.Capture(t.Context(), &facetdv1.CaptureFramesRequest{Target: list("m0")}); err != nil {
				t.Error(err)
			}
		}
		if err := <-done; err != nil {
			t.Error(err)
		}
		if took := time.Since(begin); took < 900*time.Millisecond || took > 1100*time.Millisecond {
			t.Errorf("it ended after %v", took)
		}
	})
}

// TestWhatRunsAtAStopEnds: a stop lets the segment that runs come to its end: nothing is broken off, and what was to
// come is taken back.
func TestWhatRunsAtAStopEnds(t *testing.T) {
	running := 0
	for after := 20 * time.Millisecond; after < 27*time.Millisecond; after += 397 * time.Microsecond {
		synctest.Test(t, func(t *testing.T) {
			r, noted := farRig(t, realtime, 0, bus.Limits{LeastLead: time.Millisecond, Queue: 256}, nil, memTask(4000),
				countTask(3000))
			end := r.begin(t)
			time.Sleep(after)
			stopped := r.bus.Now()
			if err := end(); err != nil {
				t.Error(err)
			}
			for _, rec := range noted.Records() {
				if rec.Start <= stopped && stopped < rec.Result.End {
					running++
				}
				if rec.Result.Err != nil && !recalled(rec.Result.Err) {
					t.Errorf("stopped after %v: a segment of %s at %v ended with %v", after, rec.Segment.Job.Task,
						rec.Start,
						rec.Result.Err)
				}
			}
		})
	}
	if running < 3 {
		t.Errorf("in %d runs a segment ran at the stop; the test needs some", running)
	}
}

// slowRig is a rig of chips whose exposure the bus may make as long as a minute.
func slowRig(t *testing.T, wrap func(bus.BusCloser) bus.BusCloser, tasks ...*facetdv1.Task) *rig {
	t.Helper()
	msg := bustest.LinearMessage()
	msg.Classes[0].GetLinear().Shutter.Most = durationpb.New(time.Minute)
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	b, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(0.001), Pace: realtime, Seed: 7})
	if err != nil {
		t.Fatal(err)
	}
	w := &watcher{}
	d, err := New(Config{Array: a, Bus: wrap(b), Observer: w, Logger: zap.NewNop(), Inspector: b.Inspector(),
		Tasks: tasks})
	if err != nil {
		t.Fatal(err)
	}
	return &rig{d, b, w}
}

// TestALongExposureOnDemand: a capture that exposes for seconds is not broken off because the runner says meanwhile
// that it is alive.
func TestALongExposureOnDemand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := slowRig(t, func(b bus.BusCloser) bus.BusCloser { return b })
		end := r.begin(t)
		got, err := r.Capture(t.Context(), &facetdv1.CaptureFramesRequest{Target: list("m0"),
			Views: []*facetdv1.View{{Exposure: durationpb.New(5 * time.Second)}}})
		if err != nil || got.FrameSet.GetFailure() != "" || got.FrameSet.GetFrames()[0].GetExposureNs() != 5e9 {
			t.Errorf("%v, %v", got.FrameSet, err)
		}
		if err := end(); err != nil {
			t.Error(err)
		}
	})
}

// TestADriverThatEndsInALongExposure: a bus that gives no results any more is given up then, and not only when the
// segment was to end.
func TestADriverThatEndsInALongExposure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &silent{after: 1} // the initialization
		r := slowRig(t, func(b bus.BusCloser) bus.BusCloser { s.BusCloser = b; return s },
			&facetdv1.Task{Name: "night", Target: list("m0"), RateHz: 0.02,
				Views: []*facetdv1.View{{Exposure: durationpb.New(30 * time.Second)}}})
		end := r.begin(t)
		time.Sleep(5 * time.Second)
		if s := r.Snapshot(); s.State != facetdv1.State_STATE_FAULT || !strings.Contains(s.Fault, errDriver.Error()) {
			t.Errorf("after 5 s: %v %q", s.State, s.Fault)
		}
		if err := end(); !errors.Is(err, errDriver) {
			t.Errorf("the end: %v", err)
		}
	})
}

// TestGenerationsOfEqualTasks: a task that is as it was keeps its generation, also as another message; one that differs
// has that of the change.
func TestGenerationsOfEqualTasks(t *testing.T) {
	b := &board{tasks: []*taskStats{{task: memTask(100), generation: 3}, {task: countTask(30), generation: 4}}}
	got := b.generations([]*facetdv1.Task{memTask(100), memTask(50), countTask(30), b.tasks[1].task,
		{Name: "other", RateHz: 30}}, 9)
	if !slices.Equal(got, []uint64{3, 9, 4, 4, 9}) {
		t.Errorf("generations %v", got)
	}
}

// TestNobodyWaitsAfterwards: calls that take bus time are counted while they wait and no longer.
func TestNobodyWaitsAfterwards(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(100))
		end := r.begin(t)
		for range 3 {
			if _, err := r.AddTask(t.Context(), countTask(10)); err != nil {
				t.Error(err)
			}
			if _, err := r.RemoveTask(t.Context(), "count"); err != nil {
				t.Error(err)
			}
			if _, err := r.Capture(t.Context(), &facetdv1.CaptureFramesRequest{Target: list("h0")}); err != nil {
				t.Error(err)
			}
			if n := r.Waiting(); n != 0 {
				t.Errorf("%d calls wait", n)
			}
		}
		if err := end(); err != nil {
			t.Error(err)
		}
	})
}

// clockless is a bus that cannot wait.
type clockless struct{ bus.BusCloser }

func (clockless) WaitUntil(context.Context, bus.Time) error { return errDriver }

// TestAClockThatFails: without tasks, too, a bus that cannot wait is given up.
func TestAClockThatFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, time.Second, func(b bus.BusCloser) bus.BusCloser { return clockless{b} })
		end := r.begin(t)
		time.Sleep(100 * time.Millisecond)
		if s := r.Snapshot(); s.State != facetdv1.State_STATE_FAULT {
			t.Errorf("%v %q", s.State, s.Fault)
		}
		if err := end(); !errors.Is(err, errDriver) {
			t.Errorf("the end: %v", err)
		}
	})
}
