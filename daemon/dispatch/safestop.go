package dispatch

import (
	"context"
	"errors"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel/bustime"
	"facetd.example/daemon/failure"
)

// ConfirmLimit is how long SafeStop waits for the lines to be released.
const ConfirmLimit = time.Second

// SafeStop breaks off what runs on the bus, makes every line inactive, pauses the timetable, and latches. It returns
// once the lines were released, after ConfirmLimit, or when ctx ends; the stop stands in every case, and Lines says
// what is known. It can be called in any state.
func (d *Dispatcher) SafeStop(ctx context.Context, r StopReason) SafeStop {
	r.BusTime = d.bus.Now()
	revision, released := d.box.stopFor(r)
	limit := time.NewTimer(ConfirmLimit)
	defer limit.Stop()
	select {
	case <-released:
	case <-limit.C:
	case <-ctx.Done():
	}
	if s := d.box.stopped(); s != nil {
		return *s
	}
	// It was resumed meanwhile, after the lines had been released.
	return SafeStop{Reasons: []StopReason{r}, Requests: 1, Revision: revision,
		Lines: LineRelease{State: facetdv1.LineState_LINE_STATE_CONFIRMED, At: r.BusTime}}
}

// Stopped is the safe stop that is latched, nil where there is none.
func (d *Dispatcher) Stopped() *SafeStop { return d.box.stopped() }

// Resume ends the safe stop of a revision, 0 being any: it initializes the registers and begins the timetable anew,
// and returns the bus time of that with the stop that is over. After an error the array is stopped as before. Errors:
// *failure.Precondition where nothing is stopped, the stop is another, or the initialization failed;
// *failure.InProgress; *SafeStopError where somebody asked for a stop meanwhile; *StoppedError; ctx's.
func (d *Dispatcher) Resume(ctx context.Context, revision uint64) (bus.Time, SafeStop, error) {
	c := &change{done: make(chan changeDone, 1)}
	stop, err := d.box.putResume(revision, c)
	if err != nil {
		return 0, SafeStop{}, err
	}
	var done changeDone
	select {
	case done = <-c.done:
	case <-ctx.Done():
		if d.box.withdrawResume(c) {
			return 0, *stop, ctx.Err()
		}
		done = <-c.done
	}
	still := d.box.stopped()
	switch {
	case still != nil && still.Revision != stop.Revision:
		return 0, *stop, &SafeStopError{*still} // somebody has asked for it meanwhile
	case done.err != nil && !errors.As(done.err, new(*StoppedError)):
		return 0, *stop, &failure.Precondition{Kind: failure.SafeStop, Subject: "bus",
			Message: "the array stays stopped: " + done.err.Error()}
	}
	return done.effective, *stop, done.err
}

// halted is a step of the runner while a safe stop is latched.
func (r *runner) halted(ctx, hard context.Context, s *SafeStop) error {
	if s.Revision != r.halt.revision {
		r.haltFor(s)
		return nil
	}
	now := r.now()
	if c := r.box.takeChange(); c != nil {
		r.keepChange(c, now)
		return nil
	}
	if one := r.box.takeDo(); one != nil {
		return r.runOnDemand(hard, one, now, now)
	}
	if c, stop := r.box.takeResume(); c != nil {
		return r.resume(hard, c, stop, max(now, r.cfg.Array.UpTime(r.dealt)))
	}
	if r.cfg.Held {
		_, err := r.wait(ctx, bustime.Forever)
		return err
	}
	waitCtx, cancel := context.WithCancel(ctx)
	defer cancel()
	if r.box.armWake(cancel) {
		<-waitCtx.Done()
		r.box.disarmWake()
	}
	return nil
}

// halt is what the runner knows of the safe stop.
type halt struct {
	revision        uint64 // of the stop for which the lines were released; 0 is none
	jobs, onDemands uint64 // that failed with the stop, and were not told yet
}

// haltFor releases the lines for a stop. What the chips hold is unknown from then on: whoever stopped the array may
// work at it.
func (r *runner) haltFor(s *SafeStop) {
	lines, stop := r.releaseLines()
	r.drain()
	r.abandon(s.cause())
	r.overtaken(s.Reasons[0].BusTime, s.cause()) // they were released, and wait
	r.report.released(stop, r.limits)
	r.regs.lose(r.cfg.Array.All(), r.tab.assumes)
	r.halt.revision = s.Revision
	r.failures = 0
	r.box.released(s.Revision, lines, r.halt.jobs, r.halt.onDemands)
	r.halt.jobs, r.halt.onDemands = 0, 0
	r.log.Warn("safe stop", zap.String("who", s.Text()), zap.String("lines", lines.State.String()),
		zap.String("why_not_confirmed", lines.Why))
	if r.cfg.Halted != nil {
		r.cfg.Halted()
	}
}

// releaseLines makes every line inactive, as far as the bus can be told to, and returns what is known, and how it came.
func (r *runner) releaseLines() (LineRelease, bus.Stop) {
	ctx, cancel := context.WithTimeout(context.Background(), answerLimit)
	defer cancel()
	stop, err := r.cfg.Bus.Release(ctx)
	if stop.Confirmed {
		return LineRelease{State: facetdv1.LineState_LINE_STATE_CONFIRMED, At: stop.Inactive}, stop
	}
	why := "the bus has not confirmed it"
	if err != nil {
		why = err.Error()
	}
	return LineRelease{State: facetdv1.LineState_LINE_STATE_NOT_CONFIRMED, Why: why}, stop
}

// keepChange takes a change of the tasks for when the array is resumed.
func (r *runner) keepChange(c *change, now bus.Time) {
	r.standing = c.again()
	turned := r.board.setTable(c, placement{epoch: now, from: now, begin: now})
	r.tab.parameters.setTable(c.plan, r.tab.counted(c)) // they can be set before the first job
	if c.applied != nil {
		c.applied(Change{Effective: now, Revision: c.revision})
	}
	if r.cfg.Applied != nil {
		r.cfg.Applied(c.tasks, c.revision)
	}
	r.cfg.tellPauses(turned)
	c.done <- changeDone{effective: now}
}

// resume makes the standing timetable active and with it ends the stop, or leaves the array stopped.
func (r *runner) resume(ctx context.Context, c *change, s *SafeStop, now bus.Time) error {
	r.failures = 0
	next := r.standing
	next.done, next.applied = c.done, func(Change) { r.box.unlatch(s.Revision) }
	err := r.activate(ctx, &next, now)
	r.halt.revision = 0 // where it still stands, the lines are to be released again
	return err
}

// breaksOff is the safe stop that has broken off a segment which ended with err, nil where it ended for another reason.
func (r *runner) breaksOff(err error) *SafeStop {
	s := r.box.stopped()
	if s == nil || s.Revision == r.halt.revision || !errors.Is(err, bus.ErrReleased) {
		return nil
	}
	return s
}
