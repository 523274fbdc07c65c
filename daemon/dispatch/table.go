package dispatch

import (
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// table is an active timetable, and how far it has run. Only the runner uses it.
type table struct {
	plan  *scheduler.Plan // nil when there are no tasks
	runs  *programs       // of the plan
	tasks []counted       // as asked for, in the order of scheduler.Member.Asked
	// numbers count the jobs of the bus, in the order of plan.Tasks. A task that has
	// shared jobs with others since the last table, or does so from now on, has other
	// numbers of its own.
	numbers []uint64
	epoch   bus.Time // bus time at which cycle 0 began
	cycle   int64
	next    int // index of the next entry
	// earliest[i] is the earliest release among the entries from i to the end of
	// the cycle, but for reservations: before it, everything released has been run,
	// unless a trigger waits.
	earliest []time.Duration
	// from is where the table took over from the one before, which has run what was released before; first is earliest
	// for the cycle in which that was, where it was not at the beginning of one.
	from  bus.Time
	first []time.Duration
	// open are the jobs that have begun and of which segments are still to be submitted, by index in plan.Tasks.
	open map[int]*openJob
	// skipped marks those of plan.Tasks whose current job was given up.
	skipped map[int]bool
	// refused counts, for each of plan.Tasks, the last jobs in a row that failed as their chips were not restored.
	refused map[int]int
	// idleParts are those of a cycle.
	idleParts []scheduler.Idle
	assumes   program.Registers // while no job is open; nil when there are no tasks
	restorer  *program.Restorer // nil when there are no tasks
	// parameters are what may be set between the jobs of its tasks.
	parameters *parameters
	// triggers release the jobs of its sporadic tasks; triggered are the times of those whose job begins next, by index
	// in plan.Tasks.
	triggers  *triggers
	triggered map[int]bus.Time
	// pausedAt reports whether a task is paused for what is released at a bus time.
	pausedAt func(task string, release bus.Time) bool
	list     []int      // room for what reported returns
	rooms    []*jobRoom // for jobs, by index in plan.Tasks
}

// counted is a task by name, with the number of its next job.
type counted struct {
	name       string
	generation uint64
	next       uint64
	// shift of the grid of its releases that its next frame set tells; nil where there is none.
	shift *int64
}

// newTable is the table of a change at its beginning. The jobs of the tasks, and those of the bus,
// that the table before had too are counted on.
func newTable(c *change, at placement, before *table) *table {
	plan := c.plan
	t := &table{plan: plan, runs: c.runs, epoch: at.epoch, from: at.from, open: map[int]*openJob{},
		skipped: map[int]bool{}, refused: map[int]int{}, triggered: map[int]bus.Time{}}
	t.tasks = before.counted(c)
	for i := range t.tasks {
		t.tasks[i].moved(at.shifts)
	}
	if before != nil {
		t.parameters = before.parameters
		t.parameters.setTable(plan, t.tasks)
		t.pausedAt, t.triggers = before.pausedAt, before.triggers
		t.triggers.setTable(plan, t.tasks, at.epoch)
	}
	if plan == nil {
		return t
	}
	t.numbers = make([]uint64, len(plan.Tasks))
	for i := range t.numbers {
		t.numbers[i] = before.numberOf(plan.Tasks[i].Task.Name)
	}
	t.earliest = t.releasesFrom(func(*scheduler.Entry) bool { return true })
	if t.begin0(); t.next > 0 {
		t.first = t.releasesFrom(func(e *scheduler.Entry) bool { return !t.before(e) })
	}
	t.idleParts = plan.Idle()
	t.assumes = plan.Assumes()
	t.restorer = program.NewRestorer(plan.Array, t.assumes)
	return t
}

// counted are tasks that follow those of the table, with their next jobs.
func (t *table) counted(c *change) []counted {
	out := make([]counted, len(c.tasks))
	for i, spec := range c.tasks {
		out[i] = counted{name: spec.GetName(), generation: c.generations[i]}
		old := t.taskOf(spec.GetName())
		if old != nil {
			out[i].next = old.next
		}
		if old != nil && old.generation == out[i].generation {
			out[i].shift = old.shift
		}
	}
	return out
}

// taskOf is a task that the table has; nil where it has none of the name.
func (t *table) taskOf(name string) *counted {
	if t == nil {
		return nil
	}
	for i := range t.tasks {
		if t.tasks[i].name == name {
			return &t.tasks[i]
		}
	}
	return nil
}

// numberOf is the next number of a bus job; 0 where the table has none of the name.
func (t *table) numberOf(name string) uint64 {
	if t == nil || t.plan == nil {
		return 0
	}
	for i := range t.numbers {
		if t.plan.Tasks[i].Task.Name == name {
			return t.numbers[i]
		}
	}
	return 0
}

func (t *table) idle() bool { return t.plan == nil || len(t.plan.Entries) == 0 }

// cycleStart is the bus time at which the running cycle began.
func (t *table) cycleStart() bus.Time {
	if t.plan == nil {
		return t.epoch
	}
	return t.epoch.Add(time.Duration(t.cycle) * t.plan.Hyperperiod)
}

// entry returns the next segment and its start in bus time.
func (t *table) entry() (*scheduler.Entry, bus.Time) {
	e := &t.plan.Entries[t.next]
	return e, t.cycleStart().Add(e.Start)
}

// advance moves on to the next entry and reports whether a cycle is complete.
func (t *table) advance() bool {
	t.next++
	if t.next < len(t.plan.Entries) {
		return false
	}
	t.next = 0
	t.cycle++
	return true
}

// last reports whether a segment is the last of its job.
func (t *table) last(e *scheduler.Entry) bool {
	return e.Segment == len(t.plan.Tasks[e.Task].Segments)-1
}

// due is the earliest release of what was not run. The table is not idle.
func (t *table) due() bus.Time {
	if t.cycle == 0 && t.first != nil {
		return t.epoch.Add(t.first[t.next])
	}
	return t.cycleStart().Add(t.earliest[t.next])
}

// quiescent returns the latest instant from last to now at which a change loses nothing: no job is
// open then, and none released before it waits. last is when the bus was last used. On a host that
// cannot keep up the instant lies before now, as the segments that run then do; otherwise a change
// would wait for ever.
func (t *table) quiescent(last, now bus.Time) (bus.Time, bool) {
	if len(t.open) > 0 {
		return 0, false
	}
	if t.idle() {
		return now, true
	}
	at := min(now, t.due())
	return at, at >= last
}

// reaches reports whether the table, used until last, has come to bus time stop with no job open.
func (t *table) reaches(stop, last bus.Time) bool {
	if len(t.open) > 0 {
		return false
	}
	if t.idle() {
		return last >= stop
	}
	_, at := t.entry()
	return at >= stop
}

// clashes reports whether an open job touches one of the chips.
func (t *table) clashes(chips []int) bool {
	for _, job := range t.open {
		if overlap(job.job.Chips, chips) {
			return true
		}
	}
	return false
}

// begin opens the job of an entry, with the next number of every member that is not paused, at bus time at.
func (t *table) begin(a *chipmodel.Array, e *scheduler.Entry, at bus.Time) *openJob {
	tp := &t.plan.Tasks[e.Task]
	begin := t.cycleStart()
	release, deadline := begin.Add(e.Release), begin.Add(e.Deadline)
	came, triggered := t.triggered[e.Task]
	if triggered {
		release, deadline = came, came.Add(tp.Task.Sporadic.Deadline)
		delete(t.triggered, e.Task)
	}
	room := t.room(a, e.Task)
	job := room.open(bus.Job{
		Task: tp.Task.Name, Number: t.numbers[e.Task], Release: release, Deadline: deadline,
		MaxHold: tp.Task.MaxHold, MaxSkew: tp.Task.MaxSkew, Pair: tp.Task.Pair,
		Chips: tp.Task.Touches, Segments: len(tp.Segments),
	}, at, len(tp.Members))
	t.numbers[e.Task]++
	reported := t.reportedOf(e.Task, release)
	job.setValues(tp.Task, t.parameters.begin(tp, reported))
	values := job.values
	for i := range tp.Members {
		m := &tp.Members[i]
		own := values[:len(m.Task.Slots):len(m.Task.Slots)]
		if values = values[len(own):]; !slices.Contains(reported, i) {
			continue
		}
		of := &t.tasks[m.Asked]
		due := deadline
		if !triggered {
			due = begin.Add(t.plan.MemberDeadline(e, m))
		}
		part := memberJob{Member: m, generation: of.generation, number: of.next, deadline: due, shift: of.shift,
			set: room.set()}
		if len(own) > 0 {
			part.values = own
		}
		job.members = append(job.members, part)
		of.next++
		of.shift = nil
	}
	job.task, job.mark = e.Task, t.marks(a, job.members)
	t.open[e.Task] = job
	return job
}

// room is memory for the jobs of one of the plan's tasks.
func (t *table) room(a *chipmodel.Array, task int) *jobRoom {
	if t.rooms == nil {
		t.rooms = make([]*jobRoom, len(t.plan.Tasks))
	}
	if t.rooms[task] == nil {
		tp := &t.plan.Tasks[task]
		t.rooms[task] = newJobRoom(a, tp.Task.Views, tp.Frames)
	}
	return t.rooms[task]
}
