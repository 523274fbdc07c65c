package dispatch

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// maxWaiting limits the on-demand jobs that wait for a gap. More are refused at once:
// the caller sees it, so nothing is lost silently.
const maxWaiting = 64

// maxTasks limits how long a plan takes to make: a request of a few kilobytes could
// name thousands, and planning goes on when its caller has gone away.
const maxTasks = 256

// keptViolations is how many of the last violations a snapshot shows.
const keptViolations = 16

// Dispatcher is the owner of a bus. Its methods may be called from any goroutine;
// the bus itself is driven by the one that calls Run.
type Dispatcher struct {
	cfg      Config
	log      *zap.Logger
	changing chan struct{} // one change of tasks at a time
	previews chan struct{} // one preview at a time; callers wait within their context

	// Of the loop alone.
	tab *table
	// standing is what a resync brings back: the active timetable or, while its initialization still fails, the
	// first one. It has no one to answer.
	standing  change
	reach     map[chipmodel.LineSet]int // chips that a word reaches, by word
	failures  int                       // segments failed one after another
	resync    bool                      // registers are to be brought back
	onDemands uint64                    // on-demand jobs begun
	lag       lagWatch

	mu      sync.Mutex
	last    bus.Time          // end of the last segment
	regs    program.Registers // what the chips hold while no job is open
	waiting []*onDemand
	// resyncAsked is resync, asked for from outside the loop.
	resyncAsked bool
	watchers    []chan struct{} // closed by the loop's next step
	change      *change
	wake        context.CancelFunc // ends the loop's wait; nil while it works
	state       facetdv1.State
	fault       string
	ended       error
	busy        bus.Phases // since the table's epoch
	epoch       bus.Time
	// Of the whole cycles since the epoch.
	cycleBusy bus.Phases
	cycleEnd  bus.Time
	plan      *scheduler.Plan
	stats     []*taskStats
	broken    uint64
	lastBad   []rules.Violation
	violated  func(rules.Violation)
}

var _ Service = (*Dispatcher)(nil)

// New plans the tasks and makes a dispatcher ready to run. Errors:
// invalid.Errors, *scheduler.RefusalError.
func New(cfg Config) (*Dispatcher, error) {
	d := &Dispatcher{
		cfg: cfg, log: cfg.Logger, reach: map[chipmodel.LineSet]int{},
		changing: make(chan struct{}, 1), previews: make(chan struct{}, 1),
		state: facetdv1.State_STATE_STARTING,
		regs:  program.PowerOn(cfg.Array),
	}
	d.violated = d.noteViolation
	plan, err := d.planFor(cfg.Tasks)
	if err != nil {
		return nil, err
	}
	d.standing = change{plan: plan, tasks: cfg.Tasks}
	d.tab = newTable(nil, nil, 0, nil)
	// Changes asked for before Run begins build on the first tasks.
	d.stats = d.statsFor(&d.standing)
	d.tab.tasks = d.stats
	return d, nil
}

// planFor plans a set of tasks; none at all is a nil plan.
func (d *Dispatcher) planFor(specs []*facetdv1.Task) (*scheduler.Plan, error) {
	return planFor(d.cfg.Array, specs)
}

// Fits says what is wrong with a set of tasks on an array, as New would. Errors:
// invalid.Errors, *scheduler.RefusalError.
func Fits(a *chipmodel.Array, specs []*facetdv1.Task) error {
	_, err := planFor(a, specs)
	return err
}

func planFor(a *chipmodel.Array, specs []*facetdv1.Task) (*scheduler.Plan, error) {
	if len(specs) == 0 {
		return nil, nil
	}
	if len(specs) > maxTasks {
		return nil, invalid.Errors{{Path: "tasks", Message: fmt.Sprintf("%d tasks are too many", len(specs)),
			Hint: fmt.Sprintf("use at most %d; one task can have several chips and views", maxTasks)}}
	}
	tasks, m := program.NewTasks(a, specs)
	if len(m) > 0 {
		return nil, m
	}
	return scheduler.Build(a, tasks, scheduler.Options{})
}

func (d *Dispatcher) noteViolation(v rules.Violation) {
	d.mu.Lock()
	d.broken++
	d.lastBad = append(d.lastBad, v)
	if extra := len(d.lastBad) - keptViolations; extra > 0 {
		d.lastBad = slices.Delete(d.lastBad, 0, extra)
	}
	d.mu.Unlock()
	d.log.Error("bus rule violated", zap.Int("rule", v.Rule), zap.Int64("bus_ns", v.At.NS()),
		zap.String("what", v.Message), zap.Strings("chips", v.Chips))
	d.cfg.Observer.Violated(v)
}

func (d *Dispatcher) setState(s facetdv1.State, fault string) {
	d.mu.Lock()
	d.state, d.fault = s, fault
	d.mu.Unlock()
}

// armWake lets requests end the wait that is about to begin, and reports whether
// it may begin: false when one is waiting that could be served now.
func (d *Dispatcher) armWake(cancel context.CancelFunc, until bus.Time) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.change != nil && !d.change.seen {
		d.change.seen = true
		return false
	}
	if d.resyncAsked || len(d.watchers) > 0 {
		return false
	}
	for _, one := range d.waiting {
		if !one.seen {
			one.seen = true
			return false
		}
	}
	d.wake = cancel
	return true
}

func (d *Dispatcher) disarmWake() {
	d.mu.Lock()
	d.wake = nil
	d.mu.Unlock()
}

// wakeLoop ends the loop's wait, if it waits. The caller holds mu.
func (d *Dispatcher) wakeLoop() {
	if d.wake != nil {
		d.wake()
	}
}

// shut releases the lines and refuses whoever still waits.
func (d *Dispatcher) shut(why string) {
	d.release()
	d.refuseAll(&StoppedError{Reason: why})
}

// release makes every line inactive.
func (d *Dispatcher) release() {
	asked := max(d.cfg.Bus.Now(), d.last)
	inactive := d.cfg.Bus.Release()
	if in := d.cfg.Inspector; in != nil {
		in.Finish(asked)
		in.Released(asked, inactive)
		for _, v := range in.Take() {
			d.violated(v)
		}
	}
}

// refuseAll answers everyone who waits, now and later, with err.
func (d *Dispatcher) refuseAll(err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.ended == nil {
		d.ended = err
	}
	for _, one := range d.waiting {
		one.done <- onDemandDone{err: err}
	}
	d.waiting = nil
	d.answerWatchers()
	if d.change != nil {
		d.change.done <- changeDone{err: err}
		d.change = nil
	}
}

// Snapshot returns the dispatcher at this instant.
func (d *Dispatcher) Snapshot() Snapshot {
	now := d.cfg.Bus.Now()
	_, off := d.cfg.Bus.HostTime(now)
	d.mu.Lock()
	defer d.mu.Unlock()
	now = max(now, d.last)
	s := Snapshot{
		State: d.state, Fault: d.fault, Now: now, Epoch: d.epoch,
		Uncertainty: off,
		Busy:        d.busy, Measured: max(d.last.Sub(d.epoch), 0),
		Violations: d.broken, LastBroken: slices.Clone(d.lastBad), Lag: d.lag.seen,
	}
	if d.plan != nil {
		s.Plan = d.plan.Message
		s.PlannedUtil = d.plan.Message.GetUtilization()
		s.Measured = max(now.Sub(d.epoch), 0)
		if d.cycleEnd > d.epoch {
			s.Busy, s.Measured = d.cycleBusy, d.cycleEnd.Sub(d.epoch)
		}
	}
	for _, t := range d.stats {
		s.Tasks = append(s.Tasks, t.running(now))
	}
	return s
}

// specs returns the active tasks. It may be called by the loop.
func (d *Dispatcher) specs() []*facetdv1.Task {
	d.mu.Lock()
	defer d.mu.Unlock()
	specs := make([]*facetdv1.Task, len(d.stats))
	for i, t := range d.stats {
		specs[i] = t.task
	}
	return specs
}
