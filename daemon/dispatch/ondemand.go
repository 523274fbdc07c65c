package dispatch

import (
	"context"
	"fmt"
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel/bustime"
	"facetd.example/daemon/failure"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// onDemand is a capture or command that waits for an idle gap.
type onDemand struct {
	// compile makes its program for the registers and the active table.
	compile func(program.Registers, *scheduler.Plan) (*program.OnDemandPlan, error)
	asked   bus.Time // bus time of the request
	done    chan onDemandDone
	seen    bool
	raw     bool         // its captures go back as they are
	do      func() error // only this is to be run; there is no program

	program *program.OnDemandPlan
	forPlan *scheduler.Plan
	forRegs uint64 // onDemands count when it was compiled
}

type onDemandDone struct {
	Done
	captures []bus.Capture // of raw programs
	err      error
}

// Capture reads a target once in an idle gap.
func (d *Dispatcher) Capture(ctx context.Context, r *facetdv1.CaptureFramesRequest) (Done, error) {
	return d.submit(ctx, func(state program.Registers, _ *scheduler.Plan) (*program.OnDemandPlan, error) {
		return scheduler.OnDemand(d.cfg.Array, r.GetTarget(), r.GetViews(), state)
	})
}

// Send sends one command in an idle gap.
func (d *Dispatcher) Send(ctx context.Context, c *facetdv1.Command) (Done, error) {
	return d.submit(ctx, func(state program.Registers, p *scheduler.Plan) (*program.OnDemandPlan, error) {
		return scheduler.CompileCommand(d.cfg.Array, c, state, p)
	})
}

// submit checks an on-demand job by compiling it once, queues it, and waits.
func (d *Dispatcher) submit(ctx context.Context,
	compile func(program.Registers, *scheduler.Plan) (*program.OnDemandPlan, error)) (Done, error) {
	d.mu.Lock()
	regs, plan := slices.Clone(d.regs), d.plan
	d.mu.Unlock()
	if _, err := compile(regs, plan); err != nil {
		return Done{}, err
	}
	done, err := d.queue(ctx, &onDemand{compile: compile})
	return done.Done, err
}

// queue waits until the loop has served an on-demand job.
func (d *Dispatcher) queue(ctx context.Context, one *onDemand) (onDemandDone, error) {
	one.done = make(chan onDemandDone, 1)
	one.asked = d.cfg.Bus.Now()
	d.mu.Lock()
	switch {
	case d.ended != nil:
		defer d.mu.Unlock()
		return onDemandDone{}, d.ended
	case len(d.waiting) >= maxWaiting:
		defer d.mu.Unlock()
		return onDemandDone{}, &failure.Exhausted{Message: fmt.Sprintf("%d on-demand jobs wait for a gap already; "+
			"try again later", len(d.waiting))}
	}
	d.waiting = append(d.waiting, one)
	d.wakeLoop()
	d.mu.Unlock()
	select {
	case done := <-one.done:
		return done, done.err
	case <-ctx.Done():
		d.mu.Lock()
		d.waiting = slices.DeleteFunc(d.waiting, func(o *onDemand) bool { return o == one })
		d.mu.Unlock()
		return onDemandDone{}, ctx.Err()
	}
}

// pick takes the first waiting on-demand job that fits between now and until and
// touches no chip of an open job. Those that can never fit are refused.
func (d *Dispatcher) pick(now, until bus.Time) *onDemand {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.waiting) == 0 {
		return nil
	}
	for _, one := range slices.Clone(d.waiting) {
		if one.do != nil {
			d.drop(one)
			return one
		}
		if err := d.ready(one); err != nil {
			d.drop(one)
			one.done <- onDemandDone{err: err}
			continue
		}
		if d.clashes(one.program.Chips) {
			continue
		}
		if one.program.Time <= until.Sub(now) {
			d.drop(one)
			return one
		}
		if longest := d.tab.gaps.longest(d.tab.plan, one.program.Chips); one.program.Time > longest {
			d.drop(one)
			one.done <- onDemandDone{err: &NoGapError{
				Needed: one.program.Time, Longest: longest,
				Reason: fmt.Sprintf("it takes %v of bus time, but the longest idle gap of the timetable that leaves "+
					"its chips free is %v; ask for less, or remove a task", one.program.Time, longest),
			}}
		}
	}
	return nil
}

// ready compiles an on-demand job for the table and registers active. The caller
// holds mu.
func (d *Dispatcher) ready(one *onDemand) error {
	if one.program != nil && one.forPlan == d.tab.plan && one.forRegs == d.onDemands {
		return nil
	}
	program, err := one.compile(d.regs, d.tab.plan)
	if err != nil {
		return err
	}
	one.program, one.forPlan, one.forRegs = program, d.tab.plan, d.onDemands
	return nil
}

func (d *Dispatcher) drop(one *onDemand) {
	d.waiting = slices.DeleteFunc(d.waiting, func(o *onDemand) bool { return o == one })
}

// clashes reports whether an open job touches one of the chips.
func (d *Dispatcher) clashes(chips []int) bool {
	for _, job := range d.tab.open {
		if overlap(job.job.Chips, chips) {
			return true
		}
	}
	return false
}

// runOnDemand runs an on-demand job now and answers whoever asked.
func (d *Dispatcher) runOnDemand(ctx context.Context, one *onDemand, now bus.Time) error {
	switch {
	case one.do != nil:
		one.done <- onDemandDone{err: one.do()}
		return nil
	case one.raw:
		d.runRaw(ctx, one, now)
		return nil
	}
	d.onDemands++
	p := one.program
	job := newOpenJob(d.cfg.Array, bus.Job{
		Number: d.onDemands, Release: min(one.asked, now), Deadline: bustime.Forever,
		Chips: p.Chips, Segments: 1,
	}, now, p.Views, p.Frames)
	res, err := d.cfg.Bus.Run(ctx, now, &bus.Segment{Job: &job.job, Ops: p.Ops})
	d.account("", &res, p.Ops)
	for i := range res.Captures {
		job.take(&res.Captures[i], d.cfg.Bus.HostTime)
	}
	failure := ""
	if err != nil {
		failure = err.Error()
		d.resync = true
	}
	d.noteWrites(p.Ops, err == nil)
	d.endJob(job, res.End, failure)
	one.done <- onDemandDone{err: err, Done: Done{
		FrameSet: job.set, Words: p.Words, Start: res.Start,
		Waited: max(res.Start.Sub(one.asked), 0),
	}}
	return nil
}

// noteWrites brings what is known of the registers up to date after a program that
// is not of the table. Registers that the table's jobs write before they need them
// become unknown again, as the next job changes them; so do those of a program that
// was not run whole, as nobody knows how far it came.
func (d *Dispatcher) noteWrites(ops []bus.Op, whole bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.regs = program.RegistersAfter(d.cfg.Array, ops, d.regs)
	if p := d.tab.plan; p != nil {
		for c, registers := range p.Assumes() {
			for r, v := range registers {
				if v == program.Unknown {
					d.regs[c][r] = program.Unknown
				}
			}
		}
	}
	if whole {
		return
	}
	none := program.NewRegisters(d.cfg.Array, program.Untouched)
	for c, registers := range program.RegistersAfter(d.cfg.Array, ops, none) {
		for r, v := range registers {
			if v != program.Untouched {
				d.regs[c][r] = program.Unknown
			}
		}
	}
}
