package dispatch

import (
	"context"
	"fmt"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/shallow"
	"facetd.example/bus"
	"facetd.example/daemon/failure"
	"facetd.example/daemon/taskchange"
	"facetd.example/scheduler"
)

// change is a new timetable that waits for an instant when no job is open.
type change struct {
	plan  *scheduler.Plan
	runs  *programs // of the plan
	tasks []*facetdv1.Task
	// revision of the tasks from then on.
	revision uint64
	// generations of tasks, in their order.
	generations []uint64
	applied     func(Change)
	done        chan changeDone // nil for the runner's own changes; holds one answer
	asked       bus.Time
	// gone says that the caller waits no longer; the mailbox's lock guards it.
	gone bool
	// Of the runner: postponed is how often its initialization was, unsuited since when it waits for an instant that
	// suits it; 0 where it does not.
	postponed int
	unsuited  bus.Time
}

// again is the same change for the runner's own use: it has no one to answer.
func (c *change) again() change {
	return change{plan: c.plan, runs: c.runs, tasks: c.tasks, revision: c.revision, generations: c.generations}
}

// unplanned is the change with nothing to run.
func (c *change) unplanned() *change {
	return &change{runs: programsOf(nil), tasks: c.tasks, revision: c.revision, generations: c.generations}
}

type changeDone struct {
	effective bus.Time
	shifts    []*facetdv1.TaskShift
	err       error
}

// Change is what became of changes to the tasks.
type Change struct {
	// Effective is when the new timetable took effect.
	Effective bus.Time
	// Revision of the tasks from then on.
	Revision uint64
	// Shifts are those of the tasks that were not changed and whose releases could not stay on their grid.
	Shifts []*facetdv1.TaskShift
}

// Apply makes changes to the tasks, all or none, and returns once the timetable with them is active.
func (d *Dispatcher) Apply(ctx context.Context, c *facetdv1.TaskChanges) (Change, error) {
	return d.ApplyNoting(ctx, c, nil)
}

// ApplyNoting is Apply with a function that is called when the changes are active, before Config.Applied is and where
// that is, and must not block.
func (d *Dispatcher) ApplyNoting(ctx context.Context, c *facetdv1.TaskChanges, applied func(Change)) (Change, error) {
	return d.changeTasks(ctx, func(running []*facetdv1.Task, revision uint64) (*taskchange.Result, error) {
		return taskchange.Apply(running, revision, c)
	}, func(running, next []*facetdv1.Task) bool { return onlyPauses(running, next, asksForPauses(c)) }, applied)
}

// EditTasks replaces the active tasks by what edit makes of them, all at once, and
// returns once the new timetable is active. edit is given the tasks that run in a
// slice of its own, and must not change them. applied is called on the goroutine that
// owns the bus in the instant in which they become active, and must not block. Errors are
// those of Apply, and edit's; after any of them the tasks are as they were, and applied
// is not called.
func (d *Dispatcher) EditTasks(
	ctx context.Context, edit func(running []*facetdv1.Task) ([]*facetdv1.Task, error), applied func(),
) (effective bus.Time, err error) {
	c, err := d.changeTasks(ctx, func(running []*facetdv1.Task, _ uint64) (*taskchange.Result, error) {
		tasks, err := edit(running)
		return &taskchange.Result{Tasks: tasks}, err
	}, func(running, next []*facetdv1.Task) bool {
		return applied == nil && onlyPauses(running, next, false)
	}, func(Change) {
		if applied != nil {
			applied()
		}
	})
	return c.Effective, err
}

// changeTasks plans on the caller's goroutine and hands the plan over. Changes wait for
// one another; the queue is the callers themselves, each limited by its context. A change of which pauses says that
// tasks are only paused or resumed by it is made without a plan, and applied then called on the caller's goroutine.
func (d *Dispatcher) changeTasks(ctx context.Context,
	edit func(running []*facetdv1.Task, revision uint64) (*taskchange.Result, error),
	pauses func(running, next []*facetdv1.Task) bool, applied func(Change)) (Change, error) {
	select {
	case d.changing <- struct{}{}:
		defer func() { <-d.changing }()
	case <-ctx.Done():
		return Change{}, ctx.Err()
	}
	running, revision := d.board.active()
	next, err := edit(running, revision)
	if err != nil {
		return Change{}, err
	}
	if pauses(running, next.Tasks) {
		return d.pause(next.Tasks, revision+1, applied)
	}
	plan, err := planFor(d.array, next.Tasks, d.bus.Limits(), d.board.periods(next.Tasks))
	if err != nil {
		return Change{}, next.Renamed(err)
	}
	revision++
	c := &change{plan: plan, runs: programsOf(plan), tasks: next.Tasks, revision: revision,
		generations: d.board.generations(next.Tasks, revision), applied: applied, done: make(chan changeDone, 1),
		asked: d.bus.Now()}
	if err := d.box.putChange(c); err != nil {
		return Change{}, err
	}
	d.waiting.Add(1)
	defer d.waiting.Add(-1)
	select {
	case done := <-c.done:
		return Change{done.effective, revision, done.shifts}, done.err
	case <-ctx.Done():
		if d.box.withdrawChange(c) {
			return Change{}, ctx.Err()
		}
		done := <-c.done
		return Change{done.effective, revision, done.shifts}, done.err
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

// Preview plans changes without making them, with every operation if asked.
func (d *Dispatcher) Preview(ctx context.Context, c *facetdv1.TaskChanges, operations bool) (*facetdv1.Plan, error) {
	select {
	case d.previews <- struct{}{}:
		defer func() { <-d.previews }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	running, revision := d.board.active()
	next, err := taskchange.Apply(running, revision, c)
	if err != nil {
		return nil, err
	}
	plan := d.board.activePlan()
	if plan == nil || !onlyPauses(running, next.Tasks, asksForPauses(c)) {
		plan, err = planFor(d.array, next.Tasks, d.bus.Limits(), d.board.periods(next.Tasks))
	}
	if refusal, ok := err.(*scheduler.RefusalError); ok {
		return &facetdv1.Plan{Array: d.array.Name, Tasks: next.Tasks, Refusal: refusal.Refusal}, nil
	}
	if err != nil {
		return nil, next.Renamed(err)
	}
	if plan == nil {
		return &facetdv1.Plan{Array: d.array.Name, Timetable: &facetdv1.Timetable{}}, nil
	}
	if operations {
		return WithOperations(plan)
	}
	return plan.Message, ctx.Err()
}
