package dispatch

import (
	"context"
	"fmt"
	"math/big"
	"sync/atomic"

	"facetd.example/api/clocksync"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/daemon/taskchange"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// maxTasks limits how long a plan takes to make: a request of a few kilobytes could
// name thousands, and planning goes on when its caller has gone away.
const maxTasks = 256

// Dispatcher is the owner of a bus. Its methods may be called from any goroutine: they
// put what is asked for into the mailbox and read the board. The bus itself is driven by
// the runner, on the goroutine that calls Run.
type Dispatcher struct {
	cfg    Config
	array  *chipmodel.Array
	bus    bus.Bus // Now and HostTime alone
	box    *mailbox
	board  *board
	runner *runner
	// parameters are shared with the runner.
	parameters *parameters
	triggers   *triggers     // likewise
	robot      *robot        // likewise
	changing   chan struct{} // one change of tasks at a time
	previews   chan struct{} // one preview at a time; callers wait within their context
	waiting    atomic.Int64  // calls that take bus time
}

var _ Service = (*Dispatcher)(nil)

// New plans the tasks and makes a dispatcher ready to run. Errors:
// invalid.Errors, *scheduler.RefusalError.
func New(cfg Config) (*Dispatcher, error) {
	if cfg.Instant == nil {
		cfg.Instant = func(at bus.Time) clocksync.Instant {
			host, off := cfg.Bus.HostTime(at)
			return clocksync.Instant{UTC: host, UTCUncertainty: off}
		}
	}
	plan, err := planFor(cfg.Array, cfg.Tasks, cfg.Bus.Limits(), nil)
	if err != nil {
		return nil, err
	}
	d := &Dispatcher{
		cfg: cfg, array: cfg.Array, bus: cfg.Bus,
		box: &mailbox{}, board: &board{state: facetdv1.State_STATE_STARTING},
		changing: make(chan struct{}, 1), previews: make(chan struct{}, 1),
	}
	d.parameters, d.triggers, d.robot = &parameters{}, &triggers{}, newRobot(cfg.Array)
	first := change{plan: plan, runs: programsOf(plan), tasks: cfg.Tasks, revision: max(cfg.Revision, 1)}
	first.generations = d.board.generations(cfg.Tasks, first.revision)
	d.runner = newRunner(cfg, first, d.box, d.board, d.parameters, d.triggers)
	d.runner.robot = d.robot
	d.box.preset(cfg.Stopped)
	// Changes asked for before Run begins build on the first tasks.
	d.board.setTasks(&first)
	return d, nil
}

// Run drives the bus until ctx ends or the bus time of Config.StopAt, and leaves every select line
// inactive. It returns nil in both cases, and the cause when the bus failed for good. A panic on
// the goroutine that owns the bus, of the driver or of an observer, ends it at once with a
// *PanicError. Whoever waits is answered in every case.
func (d *Dispatcher) Run(ctx context.Context) error { return d.runner.run(ctx) }

// Snapshot returns the dispatcher at this instant.
func (d *Dispatcher) Snapshot() Snapshot {
	now := d.bus.Now()
	_, off := d.bus.HostTime(now)
	s := d.board.snapshot(now, off)
	for _, t := range s.Tasks {
		t.Parameters = d.parameters.of(t.GetTask().GetName())
		d.triggers.show(t.GetTask().GetName(), t.GetStatus())
	}
	// The stop counts from when it was asked for; whether the lines have followed is in it.
	if s.SafeStop = d.box.stopped(); s.SafeStop != nil &&
		(s.State == facetdv1.State_STATE_STARTING || s.State == facetdv1.State_STATE_RUNNING) {
		s.State = facetdv1.State_STATE_SAFE_STOP
	}
	return s
}

// Waiting counts the calls that take bus time and wait for it.
func (d *Dispatcher) Waiting() int { return int(d.waiting.Load()) }

// Registers returns what the chips' registers hold while no job is open, as far as
// it is known.
func (d *Dispatcher) Registers() program.Registers {
	regs, _ := d.board.basis()
	return regs
}

// Resync brings every register back to what the timetable assumes, at the next
// instant when no job is open. It does not wait for that.
func (d *Dispatcher) Resync() { d.box.askResync() }

// Alive returns nil once the goroutine that owns the bus has begun another step after the call, or has come back to a
// segment that takes a while and is not to end yet, as it does every second: proof that it goes on, for a watchdog.
// Unlike Do it needs no place among the on-demand jobs. Errors: ctx's when that took too long, *StoppedError when the
// bus was given up or Run has ended.
func (d *Dispatcher) Alive(ctx context.Context) error {
	begun := make(chan struct{})
	if err := d.box.watch(begun); err != nil {
		return err
	}
	select {
	case <-begun:
		return d.box.cause()
	case <-ctx.Done():
		d.box.unwatch(begun)
		return ctx.Err()
	}
}

// Fits says what is wrong with a set of tasks on an array behind a bus of such limits, as New would. Errors:
// invalid.Errors, *scheduler.RefusalError.
func Fits(a *chipmodel.Array, l bus.Limits, specs []*facetdv1.Task) error {
	_, err := planFor(a, specs, l, nil)
	return err
}

// planFor plans a set of tasks behind a bus of such limits; none at all is a nil plan. Those that run already are to
// keep to their periods, nil for the others; none at all is nil, too.
func planFor(a *chipmodel.Array, specs []*facetdv1.Task, l bus.Limits, kept []*big.Rat) (*scheduler.Plan, error) {
	if len(specs) == 0 {
		return nil, nil
	}
	if len(specs) > maxTasks {
		return nil, invalid.Errors{{Path: "tasks", Message: fmt.Sprintf("%d tasks are too many", len(specs)),
			Hint: fmt.Sprintf("use at most %d; one task can have several chips and views", maxTasks)}}
	}
	planned := make([]*facetdv1.Task, len(specs))
	for i, spec := range specs {
		planned[i] = taskchange.Unpaused(spec)
	}
	tasks, m := program.NewTasks(a, planned)
	if len(m) > 0 {
		return nil, m
	}
	for i, period := range kept {
		tasks[i].Kept = period
	}
	return scheduler.Build(a, tasks, scheduler.Options{TriggerLead: triggerLead(l) + edgeLead(a, l),
		Queue: queueOf(a, l)})
}
