package dispatch

import (
	"context"
	"errors"
	"fmt"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel/bustime"
)

// pick takes the first waiting on-demand job that fits between now and until and
// touches no chip of an open job. Those that can never fit are refused.
func (r *runner) pick(now, until bus.Time) *onDemand {
	for _, one := range r.box.jobs() {
		err := r.fits(one, until.Sub(now))
		if err == errLater || !r.box.takeJob(one) { // or its caller has gone away meanwhile
			continue
		}
		if err == nil {
			return one
		}
		one.done <- onDemandDone{err: err}
	}
	return nil
}

// errLater says that an on-demand job has to wait for another gap.
var errLater = errors.New("it does not fit now")

// fits compiles an on-demand job for the registers and the active table, where it was not. It returns nil when the
// job can run in the length of bus time that is free now, errLater when it can later, or why it never can.
func (r *runner) fits(one *onDemand, free time.Duration) error {
	if one.do != nil {
		return nil
	}
	if one.program == nil || one.forPlan != r.tab.plan || one.forRegs != r.onDemands {
		program, err := one.compile(r.regs.held, r.tab.plan)
		if err != nil {
			return err
		}
		one.program, one.forPlan, one.forRegs = program, r.tab.plan, r.onDemands
	}
	p := one.program
	if r.tab.clashes(p.Chips) {
		return errLater
	}
	if p.Time <= free {
		return nil
	}
	if longest := r.tab.gaps.longest(r.tab.plan, p.Chips); p.Time > longest {
		return &NoGapError{
			Needed: p.Time, Longest: longest,
			Reason: fmt.Sprintf("it takes %v of bus time, but the longest idle gap of the timetable that leaves "+
				"its chips free is %v; ask for less, or remove a task", p.Time, longest),
		}
	}
	return errLater
}

// runOnDemand runs an on-demand job now and answers its caller.
func (r *runner) runOnDemand(ctx context.Context, one *onDemand, now bus.Time) {
	answer := func(done onDemandDone) {
		r.owed = nil
		one.done <- done
	}
	r.owed = func(err error) { answer(onDemandDone{err: err}) }
	if one.do != nil {
		answer(onDemandDone{err: one.do()})
		return
	}
	r.onDemands++
	p := one.program
	job := newOpenJob(r.cfg.Array, bus.Job{
		Number: r.onDemands, Release: min(one.asked, now), Deadline: bustime.Forever,
		Chips: p.Chips, Segments: 1,
	}, now, p.Views, p.Frames)
	res, err := r.drive(ctx, "", now, &bus.Segment{Job: &job.job, Ops: p.Ops})
	done := onDemandDone{err: err, Done: Done{
		FrameSet: job.set, Words: p.Words, Start: res.Start, Waited: max(res.Start.Sub(one.asked), 0),
	}}
	if one.raw {
		done.captures = res.Captures
	} else {
		for i := range res.Captures {
			job.take(&res.Captures[i], r.cfg.Bus.HostTime)
		}
	}
	failure := ""
	if err != nil {
		failure = err.Error()
		r.resync = true
		if s := r.breaksOff(err); s != nil {
			failure, done.err = s.cause(), &SafeStopError{*s}
			r.halt.onDemands++
		}
	}
	if err == nil {
		r.regs.wrote(p.Ops, r.tab.assumes)
	} else {
		r.regs.lose(p.Chips, r.tab.assumes)
	}
	job.close(res.End, failure)
	r.report.jobEnded(job)
	answer(done)
}
