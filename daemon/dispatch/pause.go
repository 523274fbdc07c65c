package dispatch

import (
	"slices"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel/bustime"
	"facetd.example/daemon/taskchange"
)

// Pausing is a task that was paused, or resumed.
type Pausing struct {
	Task   string
	Paused bool
	At     bus.Time
}

// sameButPaused reports whether two descriptions of a task differ in nothing but whether it is paused: it is then the
// same task to the planner, with the same generation.
func sameButPaused(a, b *facetdv1.Task) bool {
	return a == b || a.GetName() == b.GetName() && proto.Equal(taskchange.Unpaused(a), taskchange.Unpaused(b))
}

// onlyPauses reports whether tasks that are to run are those that do, in their order, but for which of them are paused.
// Where none is paused or resumed with it, asked says whether nothing else was asked for: other changes by which a task
// becomes what it is have a timetable made anew.
func onlyPauses(running, next []*facetdv1.Task, asked bool) bool {
	alike := func(a, b *facetdv1.Task) bool { return a.GetPaused() == b.GetPaused() }
	return slices.EqualFunc(running, next, sameButPaused) && (asked || !slices.EqualFunc(running, next, alike))
}

// asksForPauses reports whether changes name nothing but the field of a task that pauses it.
func asksForPauses(c *facetdv1.TaskChanges) bool {
	return len(c.GetAdd())+len(c.GetRemove()) == 0 &&
		!slices.ContainsFunc(c.GetUpdate(), func(u *facetdv1.TaskUpdate) bool {
			return !slices.Equal(u.GetUpdateMask().GetPaths(), []string{"paused"})
		})
}

// pause makes a change by which tasks are only paused and resumed. Unlike others it does not wait for the runner, which
// looks whenever a job is to begin at what was paused at its release: where the host is behind that is later. The
// caller has the changes of tasks to itself. Errors: *StoppedError.
func (d *Dispatcher) pause(tasks []*facetdv1.Task, revision uint64, applied func(Change)) (Change, error) {
	if err := d.box.cause(); err != nil {
		return Change{}, err
	}
	done := Change{Effective: d.bus.Now(), Revision: revision}
	turned := d.board.setPaused(tasks, done)
	if applied != nil {
		applied(done)
	}
	if d.cfg.Applied != nil {
		d.cfg.Applied(tasks, revision)
	}
	d.cfg.tellPauses(turned)
	return done, nil
}

// tellPauses tells which tasks were paused and resumed.
func (c *Config) tellPauses(turned []Pausing) {
	if c.Paused == nil {
		return
	}
	for _, p := range turned {
		c.Paused(p)
	}
}

// setPaused gives the tasks that run descriptions that differ in nothing but what is paused.
func (b *board) setPaused(tasks []*facetdv1.Task, done Change) []Pausing {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.revision = done.Revision
	var turned []Pausing
	for i, t := range b.tasks {
		turned = t.describe(tasks[i], done.Effective, done.Effective, turned)
	}
	return turned
}

// isPaused reports whether a task is paused.
func (b *board) isPaused(task string) bool { return b.pausedAt(task, bustime.Forever) }

// pausedAt reports whether a task is paused for what is released at a bus time.
func (b *board) pausedAt(task string, release bus.Time) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, t := range b.tasks {
		if t.task.GetName() == task {
			return t.turns.pausedAt(release)
		}
	}
	return false
}

// keptTurns is how many pauses and resumptions of a task are kept for releases that the runner has not come to. Of more
// the oldest are forgotten: what was released before the others is as if it was paused, or not, since ever.
const keptTurns = 64

// turns are when a task was paused and resumed, in turn.
type turns struct {
	first bool // whether it was paused before the first of them
	from  []bus.Time
}

func (t *turns) pausedAt(release bus.Time) bool {
	n := len(t.from)
	for n > 0 && t.from[n-1] > release {
		n--
	}
	return t.first != (n%2 == 1)
}

// set says that the task is paused, or not, for what is released from a bus time on, whatever was said of later ones: a
// timetable may take effect at a bus time that has passed.
func (t *turns) set(from bus.Time, paused bool) {
	for n := len(t.from); n > 0 && t.from[n-1] >= from; n-- {
		t.from = t.from[:n-1]
	}
	if t.pausedAt(from) == paused {
		return
	}
	if t.from = append(t.from, from); len(t.from) > keptTurns {
		t.from, t.first = slices.Delete(t.from, 0, 1), !t.first
	}
}

// refresh brings a change up to date that is older than what the board shows: tasks were paused or resumed since, of
// which only the board knows. The caller holds mu.
func (b *board) refresh(c *change) {
	if c.revision >= b.revision || len(c.tasks) != len(b.tasks) {
		return
	}
	c.revision, c.tasks = b.revision, make([]*facetdv1.Task, len(b.tasks))
	for i, t := range b.tasks {
		c.tasks[i] = t.task
	}
}

// reported are those members of a bus task that is not sporadic that are not paused at the release of a job, by number;
// a job of the bus with none is not run. It holds until it is asked for again.
func (t *table) reported(task int, release bus.Time) []int {
	members := t.plan.Tasks[task].Members
	out := t.list[:0]
	for i := range members {
		if !t.pausedAt(members[i].Task.Name, release) {
			out = append(out, i)
		}
	}
	t.list = out
	return out
}

// reportedOf are the members that a job that begins is of. Triggers are refused while a task is paused, not the jobs of
// those that were taken before. Where all were paused after it was decided that the job is run, all of them have it.
func (t *table) reportedOf(task int, release bus.Time) []int {
	out := t.reported(task, release)
	if len(out) > 0 {
		return out
	}
	for i := range t.plan.Tasks[task].Members {
		out = append(out, i)
	}
	return out
}
