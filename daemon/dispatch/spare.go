package dispatch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel/bustime"
)

// pick takes the first waiting on-demand job that fits between now and until and
// touches no chip of an open job. Those that can never fit are refused. One for which the bus is ready goes before the
// others: were it made ready for another one in each gap, none might ever be run.
func (r *runner) pick(now, until bus.Time) *onDemand {
	jobs := r.box.jobs()
	ready := slices.IndexFunc(jobs, func(one *onDemand) bool {
		return one.run != nil && one.run == r.readyOn && r.compiled(one)
	})
	for i, one := range jobs {
		err := r.fits(one, until.Sub(now))
		if err == errLater && r.neverCatchesUp(one) {
			err = &UnavailableError{errNoGapBehind}
		}
		if err == errLater {
			continue
		}
		if err == nil && one.do == nil {
			if ready >= 0 && i != ready {
				continue
			}
			if r.box.takeToRun(one, now.Add(one.program.Time)) {
				return one
			}
			continue // its caller has gone away meanwhile
		}
		if !r.box.takeJob(one) {
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

// behindDemand is how long an on-demand job waits for an idle gap on a host that is too far behind.
const behindDemand = 10 * time.Second

// errNoGapBehind is why an on-demand job is refused that has waited for so long.
var errNoGapBehind = errors.New("the host is too far behind the timetable to find an idle gap; " +
	"remove a task, or give the host more time")

// neverCatchesUp reports whether an on-demand job has waited for too long, and the host is too far behind to hope.
func (r *runner) neverCatchesUp(one *onDemand) bool {
	return !r.tab.idle() && r.cfg.Bus.Now() > one.asked.Add(behindDemand) && r.behind(r.tab.due())
}

// refuseHopeless refuses the on-demand jobs that have waited for too long for the registers to be restored, without
// which none is begun, on a host that comes too late for that, too.
func (r *runner) refuseHopeless() {
	for _, one := range r.box.jobs() {
		if r.neverCatchesUp(one) && r.box.takeJob(one) {
			one.done <- onDemandDone{err: &UnavailableError{errNoGapBehind}} // it has room for the one answer
		}
	}
}

// fits compiles an on-demand job for the registers and the active table, where it was not. It returns nil when the
// job can run in the length of bus time that is free now, errLater when it can later, or why it never can.
func (r *runner) fits(one *onDemand, free time.Duration) error {
	if one.do != nil {
		return nil
	}
	if !r.compiled(one) {
		program, err := one.compile(r.regs.held, r.tab.plan)
		if err != nil {
			return err
		}
		one.program, one.forPlan, one.forRegs = program, r.tab.plan, r.onDemands
		one.run = &bus.Program{Ops: program.Ops}
	}
	p := one.program
	if r.tab.clashes(p.Chips) {
		return errLater
	}
	if p.Time <= free {
		return nil
	}
	if longest := longestGap(r.tab.plan, r.tab.idleParts, p.Chips); p.Time > longest {
		return noGap(p.Time, longest)
	}
	return errLater
}

// compiled reports whether an on-demand job has its program for the registers and the active table.
func (r *runner) compiled(one *onDemand) bool {
	return one.program != nil && one.forPlan == r.tab.plan && one.forRegs == r.onDemands
}

// noGap refuses what takes longer than the longest gap.
func noGap(needed, longest time.Duration) error {
	return &NoGapError{
		Needed: needed, Longest: longest,
		Reason: fmt.Sprintf("it takes %v of bus time, but the longest idle gap of the timetable that leaves "+
			"its chips free is %v; ask for less, or remove a task", needed, longest),
	}
}

// runOnDemand hands an on-demand job over, to run from bus time begin on, and has its caller answered at its end. Where
// there is no time any more to end before until, it waits for another gap, with the bus ready for it: to make it ready
// takes time, and a host that is behind and does so in every gap never catches up. Errors: a bus that gives no results
// any more.
func (r *runner) runOnDemand(hard context.Context, one *onDemand, begin, until bus.Time) error {
	owed := r.owe(func(err error) { one.done <- onDemandDone{err: err} }) // it has room for the one answer
	answer := func(done onDemandDone) {
		r.box.ran(one)
		r.paid(owed)
		one.done <- done
	}
	if one.do != nil {
		r.ready = false // it may have used the bus
		answer(onDemandDone{err: one.do()})
		return nil
	}
	p, run := one.program, one.run
	var err error
	if r.readyOn != run {
		r.readyOn = nil
		if err = r.prepareBeside(hard, run); err == nil {
			r.readyOn = run
		}
	}
	if cause := r.lossUntilNow(); cause != nil && err == nil { // by preparing the bus was found again
		r.paid(owed)
		r.box.putBack(one)
		r.lose(&bus.LostError{Cause: cause})
		return nil
	}
	if lost := lostBy(err); lost != nil {
		r.lose(lost)
		err = &UnavailableError{lost}
	}
	if err != nil {
		answer(onDemandDone{err: err})
		return nil
	}
	if r.remote() { // preparing may have taken a while
		if begin = max(begin, r.soonest(r.cfg.Bus.Now())); begin.Add(p.Time) > until {
			r.paid(owed)
			r.box.putBack(one)
			return nil
		}
	}
	r.onDemands++
	job := newOpenJob(r.cfg.Array, bus.Job{
		Number: r.onDemands, Release: min(one.asked, begin), Deadline: bustime.Forever,
		Chips: p.Chips, Segments: 1,
	}, begin, p.Views, p.Frames)
	f := &flight{segment: bus.Segment{Job: &job.job, Program: run}, start: begin, end: begin.Add(p.Time), job: job}
	if !one.raw { // what is raw may read one place of a frame more than once
		f.segment.Into = job.codes
	}
	before := r.regs.held
	f.ended = func(res *bus.Result) error {
		if res.Refused() && !r.remote() {
			r.regs.set(before, r.tab.assumes) // nothing else has written since
		}
		answer(r.onDemandEnded(one, job, res))
		return nil
	}
	r.regs.wrote(p.Ops, r.tab.assumes)
	if err := r.submit(f); err != nil {
		return f.ended(&bus.Result{Start: begin, End: begin, Err: err})
	}
	if r.remote() {
		return nil
	}
	return r.nextUnlessStopped(hard)
}

// onDemandEnded closes an on-demand job and returns the answer to its caller.
func (r *runner) onDemandEnded(one *onDemand, job *openJob, res *bus.Result) onDemandDone {
	job.set.StartBusNs = res.Start.NS()
	done := onDemandDone{err: res.Err, Done: Done{
		FrameSet: job.set, Words: one.program.Words, Start: res.Start, Waited: max(res.Start.Sub(one.asked), 0),
	}}
	if one.raw {
		done.captures = res.Captures
	} else {
		for i := range res.Captures {
			job.take(&res.Captures[i], r.cfg.Instant)
		}
	}
	failure := ""
	var lost *bus.LostError
	if res.Err != nil {
		failure = res.Err.Error()
		if s := r.breaksOff(res.Err); s != nil {
			failure, done.err = s.cause(), &SafeStopError{*s}
			r.halt.onDemands++
		}
		if lost = lostBy(res.Err); lost != nil || res.Refused() && done.err == res.Err {
			done.err = &UnavailableError{res.Err}
		}
		if !res.Refused() || r.remote() {
			r.regs.lose(one.program.Chips, r.tab.assumes)
		}
	}
	job.close(res.End, failure)
	r.report.jobEnded(job)
	if lost != nil { // what is in flight behind it ends with that, and after it
		r.lose(lost)
	}
	return done
}
