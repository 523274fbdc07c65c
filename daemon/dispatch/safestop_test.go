package dispatch

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/failure"
	"facetd.example/scheduler/program"
)

// begin runs a rig until the test or the returned function ends it.
func (r *rig) begin(t *testing.T) (end func() error) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	return func() error { cancel(); return <-ended }
}

func ask(by, reason string) StopReason { return StopReason{By: by, Reason: reason, At: time.Now()} }

// confirmed fails the test where a stop does not say that the lines are inactive.
func confirmed(t *testing.T, s SafeStop) {
	t.Helper()
	if s.Lines.State != facetdv1.LineState_LINE_STATE_CONFIRMED || s.Lines.Why != "" {
		t.Errorf("the lines are %v, %q", s.Lines.State, s.Lines.Why)
	}
}

// TestSafeStop: a stop ends what runs within the release limit, fails what is open or waits with who asked and why,
// counts it, lets no operation reach the bus until it is resumed, and after that the tasks are at their rates with no
// rule violated and every job accounted for.
func TestSafeStop(t *testing.T) {
	for _, after := range []time.Duration{0, 5, 20, 21, 22, 23, 24, 25, 26, 27, 28, 29, 30, 137, 501} {
		t.Run(fmt.Sprint(after), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { stopAndResume(t, after*time.Millisecond) })
		})
	}
}

func stopAndResume(t *testing.T, after time.Duration) {
	counted := &counting{}
	wrap := func(b bus.BusCloser) bus.BusCloser { counted.BusCloser = b; return counted }
	r := newRig(t, realtime, 0, wrap, memTask(100), countTask(30))
	end := r.begin(t)
	time.Sleep(after)
	answers := make(chan error, 8)
	for range cap(answers) {
		go func() {
			_, err := r.Capture(t.Context(), &facetdv1.CaptureFramesRequest{Target: list("h0")})
			answers <- err
		}()
	}
	time.Sleep(10 * time.Microsecond)
	begin := time.Now()
	stop := r.SafeStop(t.Context(), ask("ada", "a cable is loose"))
	if took := time.Since(begin); took > r.array.Timing.ReleaseLimit {
		t.Errorf("it took %v, the limit is %v", took, r.array.Timing.ReleaseLimit)
	}
	confirmed(t, stop)
	failed := uint64(0)
	for range cap(answers) {
		var stopped *SafeStopError
		if err := <-answers; errors.As(err, &stopped) {
			failed++
		} else if err != nil {
			t.Errorf("a capture ended with %v", err)
		}
	}
	if failed != stop.OnDemandFailed {
		t.Errorf("%d captures failed, counted are %d", failed, stop.OnDemandFailed)
	}
	stillStopped(t, r, counted)
	open := uint64(0)
	for _, fs := range r.watch.sets {
		if strings.Contains(fs.GetFailure(), `safe stop by ada ("a cable is loose")`) && fs.GetTask() != "" {
			open++
		}
	}
	if open != stop.JobsFailed {
		t.Errorf("%d jobs failed with the stop, counted are %d", open, stop.JobsFailed)
	}
	at, over, err := r.Resume(t.Context(), stop.Revision)
	if err != nil || over.Revision != stop.Revision || at < stop.Lines.At {
		t.Fatalf("resume at %v: %v", at, err)
	}
	if s := r.Snapshot(); s.State != facetdv1.State_STATE_RUNNING || s.SafeStop != nil {
		t.Errorf("after the resume: %v, %v", s.State, s.SafeStop)
	}
	time.Sleep(time.Second)
	if _, err := r.Capture(t.Context(), &facetdv1.CaptureFramesRequest{Target: list("h0")}); err != nil {
		t.Errorf("a capture after the resume: %v", err)
	}
	if err := end(); err != nil {
		t.Error(err)
	}
	everyJobEnded(t, r)
	good := 0
	for _, fs := range r.watch.of("mem") {
		if fs.GetReleaseBusNs() >= at.NS() && fs.GetFailure() == "" && !fs.GetLate() {
			good++
		}
	}
	if good < 99 {
		t.Errorf("%d jobs of 100 in the second after the resume", good)
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}

// stillStopped checks a rig that is stopped, for a second in which nothing reaches the bus.
func stillStopped(t *testing.T, r *rig, counted *counting) {
	t.Helper()
	ran := counted.segments
	time.Sleep(time.Second)
	s := r.Snapshot()
	if s.State != facetdv1.State_STATE_SAFE_STOP || s.SafeStop == nil ||
		!strings.Contains(s.SafeStop.Text(), `stopped by ada ("a cable is loose") since 2000-01-01T00:00:`) {
		t.Errorf("the state is %v, the stop %+v", s.State, s.SafeStop)
	}
	_, captured := r.Capture(t.Context(), &facetdv1.CaptureFramesRequest{Target: list("h0")})
	_, sent := r.Send(t.Context(), &facetdv1.Command{Target: list("h0"),
		Action: &facetdv1.Command_Write{Write: &facetdv1.RegisterWrite{
			Register: facetdv1.Register_REGISTER_OUTPUT_ENABLE}}})
	_, programmed := r.Program(t.Context(), []bus.Op{{Kind: bus.OpSelect}})
	for what, err := range map[string]error{"capture": captured, "command": sent, "program": programmed} {
		var refused *failure.Precondition
		if !errors.As(err, new(*SafeStopError)) || !errors.As(err, &refused) || refused.Kind != failure.SafeStop {
			t.Errorf("a %s of a stopped array: %v", what, err)
		}
	}
	if err := r.Do(t.Context(), func() error { return errors.New("it ran") }); err == nil || err.Error() != "it ran" {
		t.Errorf("a function that drives nothing: %v", err)
	}
	if err := r.Alive(t.Context()); err != nil {
		t.Errorf("alive while stopped: %v", err)
	}
	if counted.segments != ran {
		t.Errorf("%d segments ran on a stopped array", counted.segments-ran)
	}
}

// counting counts the segments that a bus was given.
type counting struct {
	bus.BusCloser
	segments int
}

func (c *counting) Submit(at bus.Time, s *bus.Segment) error {
	c.segments++
	return c.BusCloser.Submit(at, s)
}

// TestSafeStopTwice: the same words count once, others are added, and who knows only the first of them cannot resume.
func TestSafeStopTwice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(100))
		end := r.begin(t)
		time.Sleep(100 * time.Millisecond)
		if _, _, err := r.Resume(t.Context(), 0); !kind(err, failure.NotStopped) {
			t.Errorf("resume of an array that runs: %v", err)
		}
		first := r.SafeStop(t.Context(), ask("ada", "smoke"))
		again := r.SafeStop(t.Context(), ask("ada", "smoke"))
		if again.Revision != first.Revision || again.Requests != 1 {
			t.Errorf("asked again it became %+v", again)
		}
		for i := range 20 {
			again = r.SafeStop(t.Context(), ask("bob", fmt.Sprint("hands in the robot ", i)))
			confirmed(t, again)
		}
		if again.Requests != 21 || len(again.Reasons) != maxReasons || again.Reasons[0].By != "ada" ||
			again.Reasons[maxReasons-1].Reason != "hands in the robot 19" || again.Revision <= first.Revision {
			t.Errorf("after 21 requests: %+v", again)
		}
		if _, _, err := r.Resume(t.Context(), first.Revision); !kind(err, failure.SafeStop) ||
			!strings.Contains(err.Error(), "hands in the robot 19") {
			t.Errorf("resume of another stop: %v", err)
		}
		if _, _, err := r.Resume(t.Context(), again.Revision); err != nil {
			t.Error(err)
		}
		if next := r.SafeStop(t.Context(), ask("ada", "smoke")); next.Revision <= again.Revision || next.Requests != 1 {
			t.Errorf("the next stop is %+v", next)
		}
		if err := end(); err != nil {
			t.Error(err)
		}
	})
}

func kind(err error, kind string) bool {
	var p *failure.Precondition
	return errors.As(err, &p) && p.Kind == kind
}

// TestSafeStopOfAHungDriver: the stop stands at once and says that the lines are not confirmed; when the driver comes
// back nothing runs, and the lines are released.
func TestSafeStopOfAHungDriver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := &hanging{hang: make(chan chan struct{}, 1)}
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser { h.BusCloser = b; return h }, memTask(100))
		end := r.begin(t)
		back := make(chan struct{})
		time.Sleep(100 * time.Millisecond)
		h.hang <- back
		time.Sleep(100 * time.Millisecond)
		begin := time.Now()
		stop := r.SafeStop(t.Context(), ask("ada", ""))
		if took := time.Since(begin); took != ConfirmLimit || stop.Lines != (LineRelease{}) {
			t.Errorf("after %v the lines are %+v", took, stop.Lines)
		}
		if s := r.Snapshot(); s.State != facetdv1.State_STATE_SAFE_STOP {
			t.Errorf("the state is %v", s.State)
		}
		gone, cancel := context.WithCancel(t.Context())
		cancel()
		if s := r.SafeStop(gone, ask("bob", "")); s.Requests != 2 {
			t.Errorf("a stop by somebody who has gone away: %+v", s)
		}
		close(back)
		synctest.Wait()
		confirmed(t, *r.Stopped())
		if err := end(); err != nil {
			t.Error(err)
		}
	})
}

// TestSafeStopInAProgram: a measuring program that holds the bus for long is broken off.
func TestSafeStopInAProgram(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil)
		end := r.begin(t)
		failed := make(chan error, 1)
		go func() {
			_, err := r.Program(t.Context(), []bus.Op{{Kind: bus.OpSelect, Word: 1},
				{Kind: bus.OpWait, Hold: time.Minute, Phase: facetdv1.Phase_PHASE_SETTLE}, {Kind: bus.OpSelect}})
			failed <- err
		}()
		time.Sleep(time.Second)
		stop := r.SafeStop(t.Context(), ask("ada", ""))
		confirmed(t, stop)
		if err := <-failed; !errors.As(err, new(*SafeStopError)) {
			t.Errorf("the program ended with %v", err)
		}
		if stop.OnDemandFailed != 1 {
			t.Errorf("%d on-demand jobs counted", stop.OnDemandFailed)
		}
		if err := end(); err != nil {
			t.Error(err)
		}
	})
}

// TestSafeStopBeforeTheStart: nothing is driven until the array is resumed, and then the registers are initialized
// first.
func TestSafeStopBeforeTheStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		counted := &counting{}
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser { counted.BusCloser = b; return counted },
			memTask(100))
		before := &SafeStop{Reasons: []StopReason{ask("ada", "")}, Requests: 1, Revision: 77}
		r.box.preset(before)
		if s := r.Snapshot(); s.State != facetdv1.State_STATE_SAFE_STOP {
			t.Errorf("before the start: %v", s.State)
		}
		end := r.begin(t)
		time.Sleep(time.Second)
		confirmed(t, *r.Stopped())
		if counted.segments != 0 {
			t.Errorf("%d segments ran", counted.segments)
		}
		if next := r.SafeStop(t.Context(), ask("bob", "")); next.Revision <= 77 || next.Requests != 2 {
			t.Errorf("a stop on top of it: %+v", next)
		}
		if _, _, err := r.Resume(t.Context(), 0); err != nil {
			t.Fatal(err)
		}
		time.Sleep(100 * time.Millisecond)
		if err := end(); err != nil {
			t.Error(err)
		}
		if sets := r.watch.of("mem"); len(sets) < 9 || sets[0].GetFailure() != "" || len(r.watch.violations) > 0 {
			t.Errorf("%d jobs, rules violated: %v", len(sets), r.watch.violations)
		}
	})
}

// TestChangesOfAStoppedArray: tasks can be changed while the array is stopped, and run as changed when it is resumed.
func TestChangesOfAStoppedArray(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(100))
		end := r.begin(t)
		time.Sleep(100 * time.Millisecond)
		r.SafeStop(t.Context(), ask("ada", ""))
		if _, err := r.RemoveTask(t.Context(), "mem"); err != nil {
			t.Fatal(err)
		}
		if _, err := r.AddTask(t.Context(), countTask(50)); err != nil {
			t.Fatal(err)
		}
		if tasks := r.Snapshot().Tasks; len(tasks) != 1 || tasks[0].GetTask().GetName() != "count" {
			t.Errorf("the tasks are %v", tasks)
		}
		n := len(r.watch.of("mem"))
		time.Sleep(time.Second)
		if _, _, err := r.Resume(t.Context(), 0); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		if err := end(); err != nil {
			t.Error(err)
		}
		if now := len(r.watch.of("mem")); now != n || len(r.watch.of("count")) < 49 {
			t.Errorf("%d jobs of a removed task, %d of the new one", now-n, len(r.watch.of("count")))
		}
	})
}

// TestResumeFails: an initialization that fails leaves the array stopped, and can be tried again as often as one likes.
func TestResumeFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		broken := false
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser {
			return failing(b, func(int) bool { return broken })
		}, memTask(100))
		end := r.begin(t)
		time.Sleep(100 * time.Millisecond)
		stop := r.SafeStop(t.Context(), ask("ada", ""))
		broken = true
		for range 2 * faultAfter {
			if _, _, err := r.Resume(t.Context(), 0); !kind(err, failure.SafeStop) {
				t.Errorf("resume on a broken bus: %v", err)
			}
			time.Sleep(time.Millisecond)
			if s := r.Snapshot(); s.State != facetdv1.State_STATE_SAFE_STOP || s.SafeStop.Revision != stop.Revision ||
				s.SafeStop.Lines.State != facetdv1.LineState_LINE_STATE_CONFIRMED {
				t.Errorf("after a resume that failed: %v, %+v", s.State, s.SafeStop)
			}
		}
		broken = false
		if _, _, err := r.Resume(t.Context(), 0); err != nil {
			t.Errorf("resume on a bus that was repaired: %v", err)
		}
		if err := end(); err != nil {
			t.Error(err)
		}
	})
}

// TestStopDuringAResume: whoever asks while the array is being resumed, with the same words too, has it stopped.
func TestStopDuringAResume(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := &hanging{hang: make(chan chan struct{}, 1)}
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser { h.BusCloser = b; return h }, memTask(100))
		end := r.begin(t)
		time.Sleep(100 * time.Millisecond)
		first := r.SafeStop(t.Context(), ask("ada", "smoke"))
		back := make(chan struct{})
		h.hang <- back
		resumed := make(chan error, 1)
		go func() {
			_, _, err := r.Resume(t.Context(), first.Revision)
			resumed <- err
		}()
		time.Sleep(time.Millisecond)
		if _, _, err := r.Resume(t.Context(), 0); !errors.As(err, new(*failure.InProgress)) {
			t.Errorf("a second resume: %v", err)
		}
		stopped := make(chan SafeStop, 1)
		go func() { stopped <- r.SafeStop(t.Context(), ask("ada", "smoke")) }()
		time.Sleep(time.Millisecond)
		close(back)
		s := <-stopped
		confirmed(t, s)
		if s.Requests != 2 || s.Revision <= first.Revision {
			t.Errorf("the stop is %+v", s)
		}
		if err := <-resumed; !errors.As(err, new(*SafeStopError)) {
			t.Errorf("the resume ended with %v", err)
		}
		time.Sleep(time.Second)
		if s := r.Snapshot(); s.State != facetdv1.State_STATE_SAFE_STOP {
			t.Errorf("the state is %v", s.State)
		}
		if err := end(); err != nil {
			t.Error(err)
		}
	})
}

// TestSafeStopOfAFaultyBus: a bus that was given up can be stopped too; the stop says what its release came to.
func TestSafeStopOfAFaultyBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser {
			return failing(b, func(int) bool { return true })
		}, memTask(100))
		end := r.begin(t)
		time.Sleep(time.Second)
		stop := r.SafeStop(t.Context(), ask("ada", ""))
		confirmed(t, stop)
		if s := r.Snapshot(); s.State != facetdv1.State_STATE_FAULT || s.SafeStop == nil {
			t.Errorf("the state is %v, the stop %v", s.State, s.SafeStop)
		}
		if _, _, err := r.Resume(t.Context(), 0); !errors.As(err, new(*StoppedError)) {
			t.Errorf("resume of a bus that was given up: %v", err)
		}
		if err := end(); err == nil {
			t.Error("the bus was not given up")
		}
	})
}

// TestRegistersAreUnknownAfterAStop: whoever stopped the array may have switched the chips off.
func TestRegistersAreUnknownAfterAStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(100))
		end := r.begin(t)
		time.Sleep(100 * time.Millisecond)
		r.SafeStop(t.Context(), ask("ada", ""))
		for c, regs := range r.Registers() {
			for reg, v := range regs {
				if v != program.Unknown {
					t.Errorf("register %d of chip %d is taken for %d", reg, c, v)
				}
			}
		}
		if err := end(); err != nil {
			t.Error(err)
		}
	})
}

// unconfirmed is a bus that does not confirm that its lines are inactive while it is told so.
type unconfirmed struct {
	bus.BusCloser
	silent   bool
	released int
}

func (u *unconfirmed) Release(ctx context.Context) (bus.Stop, error) {
	u.released++
	stop, err := u.BusCloser.Release(ctx)
	if u.silent {
		stop.Confirmed, err = false, errors.New("no acknowledgement")
	}
	return stop, err
}

// TestLinesThatAreNotConfirmed: the stop says so, and with which cause; who asks again with the same words has them
// released again, and counts once.
func TestLinesThatAreNotConfirmed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := &unconfirmed{silent: true}
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser { u.BusCloser = b; return u }, memTask(100))
		end := r.begin(t)
		time.Sleep(100 * time.Millisecond)
		for range 3 {
			s := r.SafeStop(t.Context(), ask("ada", "smoke"))
			want := LineRelease{State: facetdv1.LineState_LINE_STATE_NOT_CONFIRMED, Why: "no acknowledgement"}
			if s.Lines != want || s.Requests != 1 {
				t.Errorf("the stop is %+v", s)
			}
		}
		if u.released != 3 {
			t.Errorf("the lines were released %d times", u.released)
		}
		u.silent = false
		confirmed(t, r.SafeStop(t.Context(), ask("ada", "smoke")))
		confirmed(t, r.SafeStop(t.Context(), ask("ada", "smoke")))
		if u.released != 4 {
			t.Errorf("the lines were released %d times, once they were confirmed", u.released)
		}
		if err := end(); err != nil {
			t.Error(err)
		}
	})
}

// TestPutBackWhileStopped: what was about to run when a safe stop was latched, and is to wait again, is refused like
// all that waits.
func TestPutBackWhileStopped(t *testing.T) {
	box := &mailbox{}
	one := &onDemand{done: make(chan onDemandDone, 1)}
	box.stopFor(ask("ada", "a cable is loose"))
	box.putBack(one)
	select {
	case done := <-one.done:
		if !errors.As(done.err, new(*SafeStopError)) {
			t.Errorf("it ended with %v", done.err)
		}
	default:
		t.Error("it waits")
	}
	if s := box.stopped(); s.OnDemandFailed != 1 || len(box.jobs()) > 0 {
		t.Errorf("%d are counted as failed, %d wait", s.OnDemandFailed, len(box.jobs()))
	}
	box.unlatch(box.stopped().Revision)
	if box.putBack(one); len(box.jobs()) != 1 {
		t.Error("without a stop it does not wait")
	}
}
