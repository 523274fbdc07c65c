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
		r.paid(owed)
		send(done)
	}
	epoch, err := r.initialize(ctx, c.plan, c.runs, at)
	if c.done != nil && stalled(err) && r.box.putBackChange(c) {
		r.paid(owed)
		return nil // the host stood still before it was handed over; it is tried again
	}
	if err != nil {
		answer(changeDone{err: fmt.Errorf("initializing the timetable: %w", err)})
		return r.initializationFailed(ctx, err)
	}
	if r.resuming {
		r.overtaken(r.began, tookTooLong)
	}
	r.tab = newTable(c, epoch, r.tab)
	r.standing = c.again()
	var msg *facetdv1.Plan
	r.board.setTable(c, epoch)
	if c.plan != nil {
		msg = c.plan.Message
	}
	r.resynced()
	if c.applied != nil {
		c.applied()
	}
	if c.done != nil && r.cfg.Applied != nil {
		r.cfg.Applied(c.tasks)
	}
	r.cfg.Observer.PlanChanged(msg, epoch)
	r.log.Info("timetable active", zap.Int64("bus_ns", epoch.NS()), zap.Int("tasks", len(c.tasks)),
		zap.Float64("utilization", msg.GetUtilization()))
	answer(changeDone{effective: epoch})
	return nil
}

// initialize runs the initialization of a plan at bus time start, or as soon after it as the bus can, and returns when
// its table may begin. Nothing is in flight.
func (r *runner) initialize(ctx context.Context, plan *scheduler.Plan, runs *programs, start bus.Time) (bus.Time,
	error) {
	all := runs.all
	if runs != r.tab.runs { // should it fail, the table before goes on
		all = append(slices.Clip(all), r.tab.runs.all...)
	}
	if err := r.cfg.Bus.Prepare(ctx, all); err != nil {
		return start, err
	}
	if cause := r.lossUntilNow(); cause != nil { // by preparing the bus was found again
		return start, &bus.LostError{Cause: cause}
	}
	r.away = nil
	if r.remote() {
		start = max(start, r.soonest(max(r.cfg.Bus.Now(), r.last)))
	}
	if r.began = start; runs.initialization == nil {
		return start, nil
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

// tookTooLong is why a job fails that a timetable beginning anew overtakes.
const tookTooLong = "the bus could not run it before the timetable began anew"

// overtaken fails the jobs that the active table released before a bus time, and that were not run: that time is when
// the initialization of the next table began, as a bus with a lead begins nothing at once, and one that was lost runs
// nothing; or a safe stop was asked for.
func (r *runner) overtaken(before bus.Time, cause string) {
	for !r.tab.idle() && r.tab.cycleStart().Add(r.tab.earliest[r.tab.next]) < before {
		e, at := r.tab.entry()
		if e.Segment == 0 && r.tab.cycleStart().Add(e.Release) < before {
			job := r.tab.begin(r.cfg.Array, e, at)
			r.jobs = append(r.jobs, job)
			r.give(job, cause)
		}
		if r.tab.last(e) {
			delete(r.tab.open, e.Task)
		}
		r.tab.advance()
	}
}

// restore brings the registers to what the active table assumes, at bus time begin.
func (r *runner) restore(ctx context.Context, begin bus.Time) error {
	if _, err := r.initialize(ctx, r.tab.plan, r.tab.runs, begin); err != nil {
		return r.initializationFailed(ctx, err)
	}
	r.resynced()
	return nil
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
	if stalled(err) {
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
