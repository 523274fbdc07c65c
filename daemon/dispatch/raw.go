package dispatch

import (
	"context"
	"slices"

	"facetd.example/bus"
	"facetd.example/chipmodel/bustime"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// Program runs operations on all chips in an idle gap in which no job is open, and
// returns what they captured, as the bus gave it. It is for bring-up: unlike a
// capture it claims nothing of frames. The operations must leave no output enabled
// and begin with every line inactive; call Resync when done. Errors as of
// Service.Send, *rules.ViolationError among them.
func (d *Dispatcher) Program(ctx context.Context, ops []bus.Op) ([]bus.Capture, error) {
	plan := &program.OnDemandPlan{Chips: d.cfg.Array.All(), Ops: ops, Time: bus.CostOf(d.cfg.Array, ops).Total()}
	done, err := d.queue(ctx, &onDemand{
		raw:     true,
		compile: func(program.Registers, *scheduler.Plan) (*program.OnDemandPlan, error) { return plan, nil },
	})
	return done.captures, err
}

// Registers returns what the chips' registers hold while no job is open, as far as
// it is known.
func (d *Dispatcher) Registers() program.Registers {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.regs)
}

// Resync brings every register back to what the timetable assumes, at the next
// instant when no job is open. It does not wait for that.
func (d *Dispatcher) Resync() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.resyncAsked = true
	d.wakeLoop()
}

// Do runs f on the goroutine that owns the bus, between two segments. f must not
// block; its error is returned.
func (d *Dispatcher) Do(ctx context.Context, f func() error) error {
	_, err := d.queue(ctx, &onDemand{do: f})
	return err
}

// runRaw runs a program whose captures go back as they are.
func (d *Dispatcher) runRaw(ctx context.Context, one *onDemand, now bus.Time) {
	d.onDemands++
	p := one.program
	job := newOpenJob(d.cfg.Array, bus.Job{
		Number: d.onDemands, Release: min(one.asked, now), Deadline: bustime.Forever, Chips: p.Chips, Segments: 1,
	}, now, nil, nil)
	res, err := d.cfg.Bus.Run(ctx, now, &bus.Segment{Job: &job.job, Ops: p.Ops})
	d.account("", &res, p.Ops)
	failure := ""
	if err != nil {
		failure = err.Error()
		d.resync = true
	}
	d.noteWrites(p.Ops, err == nil)
	d.endJob(job, res.End, failure)
	one.done <- onDemandDone{err: err, Done: Done{Start: res.Start}, captures: res.Captures}
}
