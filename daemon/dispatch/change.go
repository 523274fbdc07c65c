package dispatch

import (
	"context"
	"fmt"
	"slices"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/failure"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// change is a new timetable that waits for an instant when no job is open.
type change struct {
	plan    *scheduler.Plan
	tasks   []*facetdv1.Task
	applied func()
	done    chan changeDone // nil for the loop's own changes; holds one answer
	seen    bool
}

type changeDone struct {
	effective bus.Time
	err       error
}

// AddTask plans a task beside the running ones and returns once the timetable
// with it is active.
func (d *Dispatcher) AddTask(ctx context.Context, t *facetdv1.Task) (bus.Time, error) {
	return d.changeTasks(ctx, func(running []*facetdv1.Task) ([]*facetdv1.Task, error) {
		if slices.ContainsFunc(running, func(r *facetdv1.Task) bool { return r.GetName() == t.GetName() }) {
			return nil, &failure.Exists{What: "task", Name: t.GetName()}
		}
		return append(running, t), nil
	}, nil)
}

// RemoveTask returns once the timetable without the task is active.
func (d *Dispatcher) RemoveTask(ctx context.Context, name string) (bus.Time, error) {
	return d.changeTasks(ctx, func(running []*facetdv1.Task) ([]*facetdv1.Task, error) {
		i := slices.IndexFunc(running, func(r *facetdv1.Task) bool { return r.GetName() == name })
		if i < 0 {
			return nil, &failure.NotFound{What: "task", Name: name}
		}
		return slices.Delete(running, i, i+1), nil
	}, nil)
}

// UpdateTask replaces the task of the same name and returns once the timetable
// with it is active.
func (d *Dispatcher) UpdateTask(ctx context.Context, t *facetdv1.Task) (bus.Time, error) {
	return d.changeTasks(ctx, func(running []*facetdv1.Task) ([]*facetdv1.Task, error) {
		i := slices.IndexFunc(running, func(r *facetdv1.Task) bool { return r.GetName() == t.GetName() })
		if i < 0 {
			return nil, &failure.NotFound{What: "task", Name: t.GetName()}
		}
		running[i] = t
		return running, nil
	}, nil)
}

// EditTasks replaces the active tasks by what edit makes of them, all at once, and
// returns once the new timetable is active. edit is given the tasks that run in a
// slice of its own, and must not change them. applied is called on the goroutine that
// owns the bus in the instant in which they become active, and must not block. Errors are
// those of AddTask, and edit's; after any of them the tasks are as they were, and applied
// is not called.
func (d *Dispatcher) EditTasks(
	ctx context.Context, edit func(running []*facetdv1.Task) ([]*facetdv1.Task, error), applied func(),
) (effective bus.Time, err error) {
	return d.changeTasks(ctx, edit, applied)
}

// changeTasks plans outside the loop and hands the plan over. Changes wait for
// one another; the queue is the callers themselves, each bounded by its context.
func (d *Dispatcher) changeTasks(
	ctx context.Context, edit func([]*facetdv1.Task) ([]*facetdv1.Task, error), applied func(),
) (bus.Time, error) {
	select {
	case d.changing <- struct{}{}:
		defer func() { <-d.changing }()
	case <-ctx.Done():
		return 0, ctx.Err()
	}
	tasks, err := edit(d.specs())
	if err != nil {
		return 0, err
	}
	plan, err := d.planFor(tasks)
	if err != nil {
		return 0, err
	}
	c := &change{plan: plan, tasks: tasks, applied: applied, done: make(chan changeDone, 1)}
	d.mu.Lock()
	if d.ended != nil {
		defer d.mu.Unlock()
		return 0, d.ended
	}
	d.change = c
	d.wakeLoop()
	d.mu.Unlock()
	select {
	case done := <-c.done:
		return done.effective, done.err
	case <-ctx.Done():
		return d.withdraw(ctx, c)
	}
}

// withdraw takes a change back, unless the loop was faster.
func (d *Dispatcher) withdraw(ctx context.Context, c *change) (bus.Time, error) {
	d.mu.Lock()
	taken := d.change != c
	if !taken {
		d.change = nil
	}
	d.mu.Unlock()
	if !taken {
		return 0, ctx.Err()
	}
	done := <-c.done
	return done.effective, done.err
}

// claimChange takes the change that waits, if one does. From then on it cannot be
// withdrawn, and must be answered.
func (d *Dispatcher) claimChange() *change {
	d.mu.Lock()
	defer d.mu.Unlock()
	c := d.change
	d.change = nil
	return c
}

// takeChange activates a timetable at bus time at: it runs the initialization, which
// brings the registers to what the table assumes, and begins the table right after
// it.
func (d *Dispatcher) takeChange(ctx context.Context, c *change, at bus.Time) error {
	epoch, err := d.open(ctx, c.plan, at)
	if err != nil {
		if c.done != nil {
			c.done <- changeDone{err: fmt.Errorf("initializing the timetable: %w", err)}
		}
		return d.initializationFailed(ctx, err)
	}
	stats := d.statsFor(c)
	d.mu.Lock()
	for _, t := range stats {
		t.rate.Restart(epoch)
	}
	d.mu.Unlock()
	d.tab = newTable(c.plan, stats, epoch, d.tab)
	d.standing = change{plan: c.plan, tasks: c.tasks}
	d.resync = false
	var msg *facetdv1.Plan
	d.mu.Lock()
	d.epoch, d.plan, d.stats, d.busy = epoch, c.plan, stats, bus.Phases{}
	d.cycleBusy, d.cycleEnd = bus.Phases{}, epoch
	if c.plan != nil {
		msg = c.plan.Message
		d.regs = program.Overlay(d.regs, c.plan.Assumes())
	}
	d.mu.Unlock()
	if c.applied != nil {
		c.applied()
	}
	if c.done != nil && d.cfg.Applied != nil {
		d.cfg.Applied(c.tasks)
	}
	d.cfg.Observer.PlanChanged(msg, epoch)
	d.log.Info("timetable active", zap.Int64("bus_ns", epoch.NS()), zap.Int("tasks", len(stats)),
		zap.Float64("utilization", msg.GetUtilization()))
	if c.done != nil {
		c.done <- changeDone{effective: epoch}
	}
	return nil
}

// firstStart is the bus time at which a dispatcher begins. It is fixed, not the
// time that the host took to come up, so that equal seeds give equal captures in
// every pace; a host that takes longer is late once and catches up.
const firstStart = bus.Time(20 * time.Millisecond)

// open runs the initialization of a plan at bus time start, and returns when its table may
// begin.
func (d *Dispatcher) open(ctx context.Context, plan *scheduler.Plan, start bus.Time) (bus.Time, error) {
	if plan == nil || len(plan.Initialization.Ops) == 0 {
		return start, nil
	}
	d.onDemands++
	job := &bus.Job{Number: d.onDemands, Release: start, Deadline: start.Add(plan.InitializationTime),
		Chips: d.cfg.Array.All(), Segments: 1}
	res, err := d.cfg.Bus.Run(ctx, start, &bus.Segment{Job: job, Ops: plan.Initialization.Ops})
	d.account("", &res, plan.Initialization.Ops)
	if err != nil {
		d.noteWrites(plan.Initialization.Ops, false)
	}
	if in := d.cfg.Inspector; in != nil {
		outcome := bus.Outcome{Kind: bus.OnTime}
		if err != nil {
			outcome = bus.Outcome{Kind: bus.Failed, Cause: err.Error()}
		}
		in.JobEnded(job, outcome)
	}
	return res.End, err
}

// initializationFailed lets the loop try again while the old table goes on, up to the
// limit of failures.
func (d *Dispatcher) initializationFailed(ctx context.Context, err error) error {
	d.failures++
	d.resync = true
	if ctx.Err() != nil {
		return nil
	}
	d.log.Warn("initialization failed", zap.Error(err))
	if d.failures >= faultAfter {
		return err
	}
	return nil
}

// statsFor keeps the counts of tasks that go on.
func (d *Dispatcher) statsFor(c *change) []*taskStats {
	out := make([]*taskStats, len(c.tasks))
	for i, spec := range c.tasks {
		for _, old := range d.tab.tasks {
			if old.task.GetName() == spec.GetName() {
				out[i] = old
			}
		}
		if out[i] == nil {
			out[i] = &taskStats{}
		}
		d.mu.Lock()
		out[i].task = spec
		out[i].planned = c.plan.Message.GetPredictions()[i].GetPlannedRateHz()
		d.mu.Unlock()
	}
	return out
}

// Preview plans a change without applying it.
func (d *Dispatcher) Preview(ctx context.Context, add []*facetdv1.Task, remove []string) (*facetdv1.Plan, error) {
	select {
	case d.previews <- struct{}{}:
		defer func() { <-d.previews }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	tasks := d.specs()
	for _, name := range remove {
		i := slices.IndexFunc(tasks, func(r *facetdv1.Task) bool { return r.GetName() == name })
		if i < 0 {
			return nil, &failure.NotFound{What: "task", Name: name}
		}
		tasks = slices.Delete(tasks, i, i+1)
	}
	for _, t := range add {
		i := slices.IndexFunc(tasks, func(r *facetdv1.Task) bool { return r.GetName() == t.GetName() })
		if i < 0 {
			tasks = append(tasks, t)
		} else {
			tasks[i] = t
		}
	}
	plan, err := d.planFor(tasks)
	if refusal, ok := err.(*scheduler.RefusalError); ok {
		return &facetdv1.Plan{Array: d.cfg.Array.Name, Tasks: tasks, Refusal: refusal.Refusal}, nil
	}
	if err != nil {
		return nil, err
	}
	if plan == nil {
		return &facetdv1.Plan{Array: d.cfg.Array.Name, Timetable: &facetdv1.Timetable{}}, nil
	}
	return plan.Message, ctx.Err()
}
