package dispatch

import (
	"context"
	"fmt"
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/shallow"
	"facetd.example/bus"
	"facetd.example/daemon/failure"
	"facetd.example/scheduler"
)

// change is a new timetable that waits for an instant when no job is open.
type change struct {
	plan  *scheduler.Plan
	runs  *programs // of the plan
	tasks []*facetdv1.Task
	// generations of tasks, in their order.
	generations []uint64
	applied     func()
	done        chan changeDone // nil for the runner's own changes; holds one answer
	asked       bus.Time
	// gone says that the caller waits no longer; the mailbox's lock guards it.
	gone bool
	// postponed is how often its initialization was, of the runner.
	postponed int
}

// again is the same change for the runner's own use: it has no one to answer.
func (c *change) again() change {
	return change{plan: c.plan, runs: c.runs, tasks: c.tasks, generations: c.generations}
}

// unplanned is the change with nothing to run.
func (c *change) unplanned() *change {
	return &change{runs: programsOf(nil), tasks: c.tasks, generations: c.generations}
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

// changeTasks plans on the caller's goroutine and hands the plan over. Changes wait for
// one another; the queue is the callers themselves, each limited by its context.
func (d *Dispatcher) changeTasks(
	ctx context.Context, edit func([]*facetdv1.Task) ([]*facetdv1.Task, error), applied func(),
) (bus.Time, error) {
	select {
	case d.changing <- struct{}{}:
		defer func() { <-d.changing }()
	case <-ctx.Done():
		return 0, ctx.Err()
	}
	tasks, err := edit(d.board.specs())
	if err != nil {
		return 0, err
	}
	plan, err := planFor(d.array, tasks)
	if err != nil {
		return 0, err
	}
	d.revision++
	c := &change{plan: plan, runs: programsOf(plan), tasks: tasks, generations: d.board.generations(tasks, d.revision),
		applied: applied, done: make(chan changeDone, 1), asked: d.bus.Now()}
	if err := d.box.putChange(c); err != nil {
		return 0, err
	}
	select {
	case done := <-c.done:
		return done.effective, done.err
	case <-ctx.Done():
		if d.box.withdrawChange(c) {
			return 0, ctx.Err()
		}
		done := <-c.done
		return done.effective, done.err
	}
}

// maxOperations is how many operations one answer carries: clients take no message of more than 4 MB unless they are
// told to, and an operation takes up to 250 bytes.
const maxOperations = 15_000

// WithOperations is a plan's message with every operation. The plan's own message is not changed: others hold it.
func WithOperations(plan *scheduler.Plan) (*facetdv1.Plan, error) {
	if n := plan.CountOperations(); n > maxOperations {
		return nil, &failure.Exhausted{Message: fmt.Sprintf("the plan has %d operations, more than the %d that one "+
			"answer carries; 'facetd plan --operations' lists them all", n, maxOperations)}
	}
	out := shallow.Without(plan.Message, "operations")
	out.Operations = plan.Operations()
	return out, nil
}

// Preview plans a change without applying it, with every operation if asked.
func (d *Dispatcher) Preview(ctx context.Context, add []*facetdv1.Task, remove []string,
	operations bool) (*facetdv1.Plan,
	error) {
	select {
	case d.previews <- struct{}{}:
		defer func() { <-d.previews }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	tasks := d.board.specs()
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
	plan, err := planFor(d.array, tasks)
	if refusal, ok := err.(*scheduler.RefusalError); ok {
		return &facetdv1.Plan{Array: d.array.Name, Tasks: tasks, Refusal: refusal.Refusal}, nil
	}
	if err != nil {
		return nil, err
	}
	if plan == nil {
		return &facetdv1.Plan{Array: d.array.Name, Timetable: &facetdv1.Timetable{}}, nil
	}
	if operations {
		return WithOperations(plan)
	}
	return plan.Message, ctx.Err()
}
