package dispatch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// firstStart is the bus time at which a dispatcher begins. It is fixed, not the
// time that the host took to come up, so that equal seeds give equal captures in
// every pace; a host that takes longer is late once and catches up.
const firstStart = bus.Time(20 * time.Millisecond)

// activate makes a timetable active at bus time at: it runs the initialization, which
// brings the registers to what the table assumes, and begins the table right after
// it.
func (r *runner) activate(ctx context.Context, c *change, at bus.Time) error {
	send := func(done changeDone) {
		if c.done != nil {
			c.done <- done // it has room for the one answer
		}
	}
	owed := r.owe(func(err error) { send(changeDone{err: err}) })
	answer := func(done changeDone) {
		r.wanted, r.passedUp = 0, 0
		r.paid(owed)
		send(done)
	}
	if ready, err := r.readyFor(ctx, c); err != nil {
		answer(changeDone{err: notActive(ctx, err)})
		return r.initializationFailed(ctx, err)
	} else if !ready {
		r.paid(owed)
		return nil
	}
	if r.remote() && (r.tab.idle() || r.box.stopped() != nil) { // it may have taken a while
		at = max(at, r.soonest(max(r.cfg.Bus.Now(), r.last)))
	}
	epoch, err := r.initialize(ctx, c.plan, c.runs, at)
	if s := r.stopsMeanwhile(err); s != nil { // the table is not told active, but kept for when the array is resumed
		if c.done == nil || r.box.putBackChange(c) {
			r.paid(owed)
		} else {
			answer(changeDone{err: &SafeStopError{*s}})
		}
		return nil
	}
	if c.done != nil && postponed(err) { // the host stood still, or what was handed over before it has failed
		c.postponed++
		if c.postponed < mostPostponed && r.box.putBackChange(c) {
			r.paid(owed)
			return nil
		}
	}
	uninitialized := c.postponed >= mostPostponed && len(r.flights) == 0
	if uninitialized {
		epoch, err = r.makeRoom(r.soonest(r.now()), neverOnTime), nil
	}
	if err != nil {
		answer(changeDone{err: notActive(ctx, err)})
		return r.initializationFailed(ctx, err)
	}
	from := at
	if uninitialized {
		from = epoch
	}
	place, _ := r.tab.place(c, from, epoch)
	r.taken = max(r.taken, epoch) // what was released meanwhile waits
	r.become(c, place, uninitialized)
	answer(changeDone{effective: epoch, shifts: place.shifts})
	return nil
}

// suitsWithin is how long a change waits for an instant at which no release has to move for it. Most find one at the
// first; after as long jobs of the table before have come in every constellation that is common.
const suitsWithin = 2 * time.Second

// suits reports whether an instant is right for the change that waits, if one does: the releases of the tasks that go
// on stay on their grid, and none of their jobs ends late for the initialization, or it has waited for long enough.
func (r *runner) suits(at bus.Time) bool {
	c := r.box.nextChange()
	if c == nil || c.plan == nil || r.tab.idle() {
		return true
	}
	begin := at.Add(c.plan.InitializationTime)
	if r.remote() { // what follows is handed over once the result is there
		begin = begin.Add(r.limits.ResultLatency + r.lead())
	}
	if _, ok := r.tab.place(c, at, r.cfg.Array.UpTime(begin)); ok {
		return true
	}
	r.wanted = 0 // an instant there was
	if c.unsuited == 0 {
		c.unsuited = at
	}
	return at.Sub(c.unsuited) >= min(suitsWithin, 2*r.tab.plan.Hyperperiod)
}

// notActive is why a timetable did not become active: that the runner is to end, where it is.
func notActive(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return &StoppedError{Reason: "the daemon stopped"}
	}
	return fmt.Errorf("initializing the timetable: %w", err)
}

// stopsMeanwhile is the safe stop that somebody has asked for before the initialization of a table was known to have
// ended with err; nil where nobody has, or the bus has failed besides.
func (r *runner) stopsMeanwhile(err error) *SafeStop {
	if s := r.box.stopped(); s != nil && s.Revision != r.halt.revision &&
		(err == nil || postponed(err) || errors.Is(err, bus.ErrReleased)) {
		return s
	}
	return nil
}

// become makes the table of a change the active one, from a bus time on.
func (r *runner) become(c *change, at placement, uninitialized bool) {
	r.failTriggers("the task was removed, or is not sporadic any more", func(task string) bool {
		return slices.ContainsFunc(c.tasks, func(t *facetdv1.Task) bool {
			return t.GetName() == task && t.GetLeastInterval() != nil
		})
	})
	r.tab = newTable(c, at, r.tab)
	var msg *facetdv1.Plan
	changed := c.done != nil && c.revision != r.standing.revision // not so when the array is resumed
	turned := r.board.setTable(c, at)
	r.standing = c.again()
	if c.plan != nil {
		msg = c.plan.Message
	}
	if r.resynced(); uninitialized {
		r.regs.lose(r.cfg.Array.All(), r.tab.assumes)
		r.resync = true
	}
	if c.applied != nil {
		c.applied(Change{Effective: at.begin, Revision: c.revision, Shifts: at.shifts})
	}
	if changed && r.cfg.Applied != nil {
		r.cfg.Applied(c.tasks, c.revision)
	}
	r.cfg.Observer.PlanChanged(msg, at.begin, at.epoch)
	r.cfg.tellPauses(turned)
	r.log.Info("timetable active", zap.Int64("bus_ns", at.begin.NS()), zap.Int("shifted", len(at.shifts)),
		zap.Int("tasks", len(c.tasks)),
		zap.Float64("utilization", msg.GetUtilization()))
}

// readyFor makes the bus ready for a change. That may take a while where the bus is far away; the instant that was
// found for the change then has passed, so that it is put back, to be taken out at another one.
func (r *runner) readyFor(ctx context.Context, c *change) (bool, error) {
	if r.preparedFor != nil && r.preparedFor == c.runs {
		return true, nil
	}
	others := c.runs.all
	if c.runs == r.tab.runs {
		others = nil
	}
	if err := r.prepare(ctx, others...); err != nil { // should it fail, the table before goes on
		return false, err
	}
	r.away, r.preparedFor = nil, c.runs
	return !r.remote() || r.tab.idle() || !r.box.putBackChange(c), nil
}

// initialize runs the initialization of a plan at bus time start and returns when its table may begin. What was handed
// over before may be in flight still.
func (r *runner) initialize(ctx context.Context, plan *scheduler.Plan, runs *programs, start bus.Time) (bus.Time,
	error) {
	if runs.initialization == nil {
		return start, r.awaitAll(ctx)
	}
	r.onDemands++
	job := &bus.Job{Number: r.onDemands, Release: start, Deadline: start.Add(plan.InitializationTime),
		Chips: r.cfg.Array.All(), Segments: 1}
	res := r.drive(ctx, &flight{segment: bus.Segment{Job: job, Program: runs.initialization}, start: start,
		end: job.Deadline})
	if res.Err != nil && !res.Refused() {
		r.regs.lose(job.Chips, r.tab.assumes)
	}
	r.report.initialized(job, res.End, res.Err)
	epoch := res.End
	if r.remote() {
		epoch = max(epoch, r.soonest(max(r.cfg.Bus.Now(), r.last)))
	}
	return r.cfg.Array.UpTime(epoch), res.Err
}

// waitsInVain is why no instant will be found for a change or a restoration of all chips that waits; empty where one
// may be. The queue of a bus far away may be too short for all that is to be handed over before. A host that is behind
// by more than it may be comes too late for every instant; where that has not passed after as long again, it will not.
func (r *runner) waitsInVain(now bus.Time, quiescent bool) string {
	if c := r.box.nextChange(); c != r.waiting {
		if r.waiting != nil && !r.resync { // it was withdrawn: another waits from now on
			r.wanted, r.passedUp = 0, 0
		}
		r.waiting = c
	}
	switch {
	case r.tab.idle() || !r.resync && !r.box.hasChange():
		r.wanted, r.passedUp = 0, 0
	case r.remote():
		_, triggered := r.tab.triggers.earliest()
		if quiescent || triggered && r.waiting != nil && r.answersFirst(now) {
			break // for triggers it does not wait in vain
		}
		if r.wanted == 0 {
			r.wanted = now
		}
		if now > r.wanted.Add(r.tab.plan.Hyperperiod+2*(r.lead()+spareLead)) {
			return queueTooShort
		}
	case r.behind(r.tab.due()):
		if r.passedUp == 0 {
			r.passedUp = now
		}
		if now >= r.passedUp.Add(r.cfg.MaxLag) {
			return tooFarBehind
		}
	default: // it has caught up: a short lag later is another one
		r.passedUp = 0
	}
	return ""
}

// mostPostponed is how often the initialization of a change may be refused without a fault of the bus before the change
// is made without it: on a host that comes too late for everything to remove load is the cure. The registers are
// restored afterwards, and until then jobs fail whose chips do not hold what they rely on.
const mostPostponed = 5

// Why jobs fail that have to make room for an initialization or a change.
const (
	queueTooShort = "the queue of the bus is too short to initialize the registers without a pause"
	neverOnTime   = "the host came too late to initialize the registers again and again"
	tooFarBehind  = "the host is too far behind the timetable to initialize the registers without a pause"
)

// makeRoom fails what is open or released before a bus time, and returns the instant at which the table, should it go
// on, has nothing left to do from before: that time or, where a job is to begin before one that waits, later. Nothing
// is in flight.
func (r *runner) makeRoom(before bus.Time, cause string) bus.Time {
	r.again = nil
	for len(r.jobs) > 0 {
		r.give(r.jobs[0], cause)
	}
	before = max(before, r.cfg.Array.UpTime(r.dealt))
	for !r.tab.idle() && r.tab.due() < before {
		e, at := r.tab.entry()
		r.decide(e, at)
		if e.Segment == 0 && !r.tab.skipped[e.Task] {
			r.overtake(e, at, cause)
			before = max(before, r.cfg.Array.UpTime(r.dealt))
		}
		r.pass(e)
	}
	return before
}

// overtaken fails the jobs that the active table released before a bus time, as of a safe stop, and that were not run.
// Others are passed over, so the table ends with that.
func (r *runner) overtaken(before bus.Time, cause string) {
	for !r.tab.idle() && r.tab.due() < before {
		e, at := r.tab.entry()
		r.decide(e, at)
		if e.Segment == 0 && !r.tab.skipped[e.Task] && r.tab.cycleStart().Add(e.Release) < before {
			r.overtake(e, at, cause)
		}
		r.pass(e)
	}
}

// overtake fails the job of an entry, which has not begun.
func (r *runner) overtake(e *scheduler.Entry, at bus.Time, cause string) {
	job := r.tab.begin(r.cfg.Array, e, at)
	r.jobs = append(r.jobs, job)
	r.give(job, cause)
}

// pass moves on from an entry that is not run.
func (r *runner) pass(e *scheduler.Entry) {
	if r.tab.last(e) {
		delete(r.tab.open, e.Task)
		delete(r.tab.skipped, e.Task)
	}
	r.advance()
}

// awaitAll waits for the results of all that is in flight. Errors: the bus's, or that something was recalled or is in
// flight still as a stop was asked for.
func (r *runner) awaitAll(ctx context.Context) error {
	for before := 0; len(r.flights) > 0 && len(r.flights) != before; {
		before = len(r.flights)
		if err := r.nextUnlessStopped(ctx); err != nil {
			return err
		}
	}
	if len(r.flights)+len(r.again) > 0 {
		return &bus.RefusedError{Cause: bus.Recalled, Planned: r.taken, Device: r.cfg.Bus.Now()}
	}
	return nil
}

// notReady forgets what the bus was ready for.
func (r *runner) notReady() { r.ready, r.restoring, r.preparedFor, r.readyOn = false, nil, nil, nil }

// prepare makes the bus ready for the programs of the active table and some others, and forgets what it was ready for
// besides.
func (r *runner) prepare(ctx context.Context, others ...*bus.Program) error {
	r.notReady()
	err := r.cfg.Bus.Prepare(ctx, append(slices.Clip(r.tab.runs.all), others...))
	if cause := r.lossUntilNow(); cause != nil && err == nil { // by preparing the bus was found again
		return &bus.LostError{Cause: cause}
	}
	r.ready = err == nil
	return err
}

// prepareBeside makes the bus ready for a program beside those that it is ready for already, as long as its store has
// room for all of them. Errors: the bus's.
func (r *runner) prepareBeside(ctx context.Context, run *bus.Program) error {
	var kept []*bus.Program
	for _, p := range r.restoring {
		if p.of == r.tab {
			kept = append(kept, p.run)
		}
	}
	if r.readyOn != nil {
		kept = append(kept, r.readyOn)
	}
	if r.preparedFor != nil && r.preparedFor != r.tab.runs {
		kept = append(kept, r.preparedFor.all...)
	}
	all := append(slices.Clip(r.tab.runs.all), run)
	err := r.cfg.Bus.Prepare(ctx, append(slices.Clip(all), kept...))
	if err != nil && len(kept) > 0 && lostBy(err) == nil && ctx.Err() == nil {
		r.notReady()
		err = r.cfg.Bus.Prepare(ctx, all)
	}
	r.ready = err == nil // the store of one that refuses may have lost what it held
	return err
}

// restore brings the registers of all chips to what the active table assumes, from bus time begin on. The table goes on
// as it was: what waits meanwhile is run afterwards. To make the bus ready may take a while where it is far away: then
// the instant has passed, and another one is found.
func (r *runner) restore(ctx context.Context, begin bus.Time) error {
	r.wanted, r.passedUp = 0, 0
	if r.tab.runs.initialization == nil {
		r.resynced()
		return nil
	}
	if !r.ready || !r.remote() {
		if err := r.prepare(ctx); err != nil { // where somebody else has used the bus meanwhile
			return r.initializationFailed(ctx, err)
		}
		if r.remote() {
			return nil
		}
	}
	all := r.cfg.Array.All()
	return r.restoreChips(ctx, &restoration{chips: all, touches: all, run: r.tab.runs.initialization,
		time: r.tab.plan.InitializationTime, all: true, prepared: true}, begin)
}

// passOver fails the jobs of the table of which a segment that was not handed over was to begin before a bus time.
func (r *runner) passOver(from bus.Time, cause string) {
	for !r.tab.idle() {
		entry, at := r.tab.entry()
		if at >= from {
			break
		}
		r.decide(entry, at)
		if !r.tab.skipped[entry.Task] {
			job := r.tab.open[entry.Task]
			if entry.Segment == 0 {
				job = r.tab.begin(r.cfg.Array, entry, at)
				r.jobs = append(r.jobs, job)
			}
			r.give(job, cause)
		}
		r.skip(entry, at)
	}
}

// resynced notes that the registers are what the active table assumes. Where a caller asked for that, nothing is known
// of those that the table does not write.
func (r *runner) resynced() {
	known := r.regs.held
	if r.asked {
		known = program.NewRegisters(r.cfg.Array, program.Unknown)
	}
	r.resync, r.asked = false, false
	if r.tab.plan != nil {
		known = program.Overlay(known, r.tab.assumes)
	}
	r.regs.set(known, r.tab.assumes)
}

// initializationFailed lets the runner try again while the old table goes on, up to the
// limit of failures.
func (r *runner) initializationFailed(ctx context.Context, err error) error {
	r.resync = true
	return r.notInitialized(ctx, err)
}

// notInitialized deals with an error of a program that brings registers back. Errors: one failure too many.
func (r *runner) notInitialized(ctx context.Context, err error) error {
	if postponed(err) {
		return nil
	}
	if lost := lostBy(err); lost != nil {
		r.lose(lost)
		return nil
	}
	r.failures++
	if ctx.Err() != nil {
		return nil
	}
	r.log.Warn("initialization failed", zap.Error(err))
	if r.failures >= faultAfter {
		return err
	}
	return nil
}

// stalled reports whether a segment was refused because the host had stood still before it was handed over.
func stalled(err error) bool {
	if err == nil {
		return false
	}
	var refused *bus.RefusedError
	return errors.As(err, &refused) && refused.Cause == bus.HostStall
}

// postponed reports whether nothing is wrong with a segment that was refused.
func postponed(err error) bool {
	var refused *bus.RefusedError
	return errors.As(err, &refused) && (refused.Cause == bus.HostStall || refused.Cause == bus.Recalled)
}
