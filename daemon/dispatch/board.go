package dispatch

import (
	"math/big"
	"slices"
	"sync"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// keptViolations is how many of the last violations a snapshot shows.
const keptViolations = 16

// board is what readers see of the runner: the runner alone writes it, and what it is given is not changed
// afterwards. Nobody is called while its lock is held.
type board struct {
	mu    sync.Mutex
	state facetdv1.State
	fault string
	last  bus.Time          // until when the bus was used
	regs  program.Registers // what the chips hold while no job is open
	lag   Lag
	// Of the active table.
	plan     *scheduler.Plan
	tasks    []*taskStats
	revision uint64 // of the tasks
	epoch    bus.Time
	since    bus.Time   // when it became active: the epoch, or in the middle of a cycle
	busy     bus.Phases // since then
	// Until the end of the last cycle.
	cycleBusy bus.Phases
	cycleEnd  bus.Time

	broken  uint64
	lastBad []rules.Violation
}

func (b *board) setState(s facetdv1.State, fault string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.state, b.fault = s, fault
}

func (b *board) setLag(l Lag) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.lag = l
}

func (b *board) setRegisters(r program.Registers) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.regs = r
}

// setTasks says which tasks run, or will; the counts of those that go on are kept.
func (b *board) setTasks(c *change) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.tasks, _ = statsFor(b.tasks, c, placement{})
	b.revision = c.revision
}

// setTable says which table is active, and since when. Where tasks were paused or resumed since the change was made it
// is brought up to date. It returns which of them are paused and resumed with the change.
func (b *board) setTable(c *change, at placement) (turned []Pausing) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.refresh(c)
	b.tasks, turned = statsFor(b.tasks, c, at)
	b.revision = c.revision
	for _, t := range b.tasks {
		t.rate.Restart(at.begin)
	}
	b.plan, b.epoch, b.since, b.busy = c.plan, at.epoch, at.begin, bus.Phases{}
	b.cycleBusy, b.cycleEnd = bus.Phases{}, at.begin
	return turned
}

// used counts bus time of the active table, until last.
func (b *board) used(last bus.Time, busy bus.Phases) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.last = last
	b.busy.Add(busy)
}

// cycleEnded notes the bus time used by the end of a cycle, over which utilization is measured.
func (b *board) cycleEnded(end bus.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cycleBusy, b.cycleEnd = b.busy, end
}

// jobEnded counts a job of one task.
func (b *board) jobEnded(set *facetdv1.FrameSet) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, t := range b.tasks {
		if t.task.GetName() == set.GetTask() {
			t.ended(set)
		}
	}
}

func (b *board) violated(v rules.Violation) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.broken++
	b.lastBad = append(b.lastBad, v)
	if extra := len(b.lastBad) - keptViolations; extra > 0 {
		b.lastBad = slices.Delete(b.lastBad, 0, extra)
	}
}

// snapshot is the board at bus time now, with the uncertainty of host times.
func (b *board) snapshot(now bus.Time, uncertainty time.Duration) Snapshot {
	b.mu.Lock()
	defer b.mu.Unlock()
	now = max(now, b.last)
	s := Snapshot{
		State: b.state, Fault: b.fault, Now: now, Epoch: b.epoch, Revision: b.revision,
		Uncertainty: uncertainty,
		Busy:        b.busy, Measured: max(b.last.Sub(b.since), 0),
		Violations: b.broken, LastBroken: slices.Clone(b.lastBad), Lag: b.lag,
	}
	if b.plan != nil {
		s.Plan, s.Active = b.plan.Message, b.plan
		s.PlannedUtil = b.plan.Message.GetUtilization()
		s.Measured = max(now.Sub(b.since), 0)
		if b.cycleEnd > b.since {
			s.Busy, s.Measured = b.cycleBusy, b.cycleEnd.Sub(b.since)
		}
	}
	room := make([]runningTask, len(b.tasks)) // whoever watches asks all the time: one piece for all tasks
	s.Tasks = make([]*facetdv1.RunningTask, len(b.tasks))
	for i, t := range b.tasks {
		s.Tasks[i] = t.running(now, &room[i])
	}
	return s
}

// active returns the active tasks in a slice of the caller's, and their revision.
func (b *board) active() ([]*facetdv1.Task, uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	specs := make([]*facetdv1.Task, len(b.tasks))
	for i, t := range b.tasks {
		specs[i] = t.task
	}
	return specs, b.revision
}

// periods are those, in nanoseconds, at which tasks run as they are; nil for others.
func (b *board) periods(tasks []*facetdv1.Task) []*big.Rat {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]*big.Rat, len(tasks))
	if b.plan == nil {
		return out
	}
	for asked, task := range busTasks(b.plan) {
		for i, spec := range tasks {
			if b.tasks[asked].is(spec) {
				out[i] = big.NewRat(int64(b.plan.Hyperperiod), int64(b.plan.Tasks[task].JobsPerCycle))
			}
		}
	}
	return out
}

// generations are those of tasks in a revision: of those that are as they were the one that they have.
func (b *board) generations(tasks []*facetdv1.Task, revision uint64) []uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]uint64, len(tasks))
	for i, spec := range tasks {
		out[i] = revision
		for _, t := range b.tasks {
			if t.is(spec) {
				out[i] = t.generation
			}
		}
	}
	return out
}

// activePlan is the plan of the active table; nil where there is none.
func (b *board) activePlan() *scheduler.Plan {
	_, plan := b.basis()
	return plan
}

// basis is what an on-demand job is compiled for: the registers, and the active plan.
func (b *board) basis() (program.Registers, *scheduler.Plan) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.regs), b.plan
}
