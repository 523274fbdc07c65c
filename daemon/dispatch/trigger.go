package dispatch

import (
	"context"
	"fmt"
	"sync"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/failure"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/timetable"
)

// triggers release the jobs of sporadic tasks. Callers trigger, or an input of a bus does, and the runner takes what
// waits when it decides about a reservation, under one lock: a trigger whose time is not after the decision is seen by
// it. That is so because callers read the bus's clock under the lock, and the runner decides no earlier than the time
// for which it does. At most one trigger of a task waits.
type triggers struct {
	mu    sync.Mutex
	tasks map[string]*triggersOf
	ended error // why none is taken any more
}

// triggersOf are those of one sporadic task.
type triggersOf struct {
	task         *program.Task
	generation   uint64
	reservations []timetable.Reservation // of a cycle, in order
	hyperperiod  time.Duration
	lead         time.Duration
	epoch        bus.Time
	promise      time.Duration

	decided bus.Time // up to when the runner has decided: it will not see a trigger that came before
	next    uint64   // number of the job that is released next
	last    bus.Time // time of the last trigger that was taken
	any     bool     // that there was one
	waiting bool     // the job of the last has not begun
	taken   uint64
	refused uint64
}

// TooSoonError says that a sporadic task was triggered before it may be. The caller may try again at a bus time, or
// change the task's least interval.
type TooSoonError struct {
	Task string
	// Next is when the next trigger is taken.
	Next bus.Time
	// Early is by how much this one came before that.
	Early, LeastInterval time.Duration
}

func (e *TooSoonError) Error() string {
	return fmt.Sprintf("task %s may be triggered every %v: this is %v too soon, and the next is taken from bus time "+
		"%d ns on", e.Task, e.LeastInterval, e.Early, e.Next)
}

func (e *TooSoonError) Unwrap() error {
	return &failure.Precondition{Kind: failure.TooSoon, Subject: e.Task}
}

// setTable says which sporadic tasks are active, and since when. What is known of the triggers of one that goes on
// stays, a trigger that waits included.
func (t *triggers) setTable(plan *scheduler.Plan, tasks []counted, epoch bus.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	before := t.tasks
	t.tasks = map[string]*triggersOf{}
	if plan == nil {
		return
	}
	for i := range plan.Tasks {
		m := &plan.Tasks[i].Members[0]
		if m.Task.Sporadic == nil {
			continue
		}
		of := &triggersOf{}
		if old := before[m.Task.Name]; old != nil {
			*of = *old
		}
		c := tasks[m.Asked]
		of.task, of.generation, of.next = m.Task, c.generation, c.next
		of.reservations, of.hyperperiod, of.lead = plan.Reservations(i), plan.Hyperperiod, plan.TriggerLead
		of.epoch, of.promise = epoch, time.Duration(plan.Response(i).Worst)
		t.tasks[m.Task.Name] = of
	}
}

// trigger takes a trigger of a task, which came at a time that is asked for under the lock, with up to when the runner
// has decided: behind that. stopped says why none is taken, and is asked under it, too, so that whoever fails what
// waits with that cause fails all that was taken before.
func (t *triggers) trigger(task string, came func(decided bus.Time) bus.Time, stopped func() error) (
	*facetdv1.TriggerTaskResponse, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	of := t.tasks[task]
	if of == nil {
		return nil, &failure.NotFound{What: "sporadic task", Name: task}
	}
	err := t.ended
	if err == nil {
		err = stopped()
	}
	if err != nil {
		of.refused++
		return nil, err
	}
	at := came(max(of.decided, of.epoch))
	if next := of.last.Add(of.task.Sporadic.LeastInterval); of.any && at < next {
		of.refused++
		return nil, &TooSoonError{Task: task, Next: next, Early: next.Sub(at),
			LeastInterval: of.task.Sporadic.LeastInterval}
	}
	if of.waiting { // on a host that is behind
		of.refused++
		return nil,
			&failure.Exhausted{Message: fmt.Sprintf("job %d of task %s was triggered at bus time %d ns and has "+
				"not begun: the host is behind the timetable; try again later", of.next, task, of.last.NS())}
	}
	of.last, of.any, of.waiting = at, true, true
	of.taken++
	slot := timetable.NextReservation(int64(of.hyperperiod), int64(of.lead), of.reservations, int64(at.Sub(of.epoch)))
	return &facetdv1.TriggerTaskResponse{
		Job: of.next, Generation: of.generation, ReleaseBusNs: at.NS(),
		StartBusNs: of.epoch.NS() + slot.Start, EndBusNs: of.epoch.NS() + slot.End,
		NextTriggerBusNs: at.Add(of.task.Sporadic.LeastInterval).NS(),
	}, nil
}

// take takes out the trigger of a task that waits, where it came no later than a bus time, and returns when it came.
func (t *triggers) take(task string, latest bus.Time) (bus.Time, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	of := t.tasks[task]
	if of == nil {
		return 0, false
	}
	of.decided = max(of.decided, latest)
	if !of.waiting || of.last > latest {
		return 0, false
	}
	of.waiting = false
	of.next++
	return of.last, true
}

// earliest is when the first of the triggers came that wait.
func (t *triggers) earliest() (first bus.Time, any bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, of := range t.tasks {
		if of.waiting && (!any || of.last < first) {
			first, any = of.last, true
		}
	}
	return first, any
}

// longest is the longest response that is promised of the tasks.
func (t *triggers) longest() time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	var most time.Duration
	for _, of := range t.tasks {
		most = max(most, of.promise)
	}
	return most
}

// end has no more triggers taken, for that reason.
func (t *triggers) end(cause error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.ended = cause
}

// show puts what is known of a task's triggers into its status.
func (t *triggers) show(task string, s *facetdv1.TaskStatus) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if of := t.tasks[task]; of != nil {
		s.Triggers, s.TriggersRefused, s.PromisedResponseNs = of.taken, of.refused, int64(of.promise)
	}
}

// Trigger releases a job of a sporadic task, now. Errors: *failure.NotFound, *failure.Precondition for a task with a
// rate or one that is paused, *TooSoonError, *failure.Exhausted on a host that is behind, *SafeStopError,
// *StoppedError.
func (d *Dispatcher) Trigger(_ context.Context, task string) (*facetdv1.TriggerTaskResponse, error) {
	return d.trigger(task, func(bus.Time) bus.Time { return d.bus.Now() })
}

// trigger is Trigger at a time; see triggers.trigger.
func (d *Dispatcher) trigger(task string, came func(decided bus.Time) bus.Time) (*facetdv1.TriggerTaskResponse, error) {
	out, err := d.triggers.trigger(task, came, func() error {
		if s := d.box.stopped(); s != nil {
			return &SafeStopError{*s}
		}
		if d.board.isPaused(task) {
			return &failure.Precondition{Kind: failure.Paused, Subject: task,
				Message: "task " + task + " is paused, and is not triggered; resume it first"}
		}
		return d.box.cause()
	})
	if _, unknown := err.(*failure.NotFound); !unknown {
		return out, err
	}
	if s := d.box.stopped(); s != nil { // tasks that come while it lasts are not active yet
		return nil, &SafeStopError{*s}
	}
	running, _ := d.board.active()
	for _, t := range running {
		switch {
		case t.GetName() != task:
		case t.GetLeastInterval() == nil:
			return nil, &failure.Precondition{Kind: failure.NotSporadic, Subject: task,
				Message: "task " + task +
					" has a rate, and is not triggered; give it a least interval in place of that"}
		default:
			return nil, &UnavailableError{fmt.Errorf("the timetable with task %s is not active yet", task)}
		}
	}
	return nil, &failure.NotFound{What: "task", Name: task}
}

// decide says of an entry that begins a reservation whether that is used, and of one that begins a job whether not all
// of its tasks are paused, at the time for which it has to be decided: it is passed over otherwise, as the segments of
// a job are that was given up. Other entries are left alone.
func (r *runner) decide(e *scheduler.Entry, at bus.Time) {
	task := r.tab.plan.Tasks[e.Task].Task
	if e.Segment > 0 || r.tab.skipped[e.Task] {
		return
	}
	if task.Sporadic == nil {
		release := r.tab.cycleStart().Add(e.Release)
		if len(r.tab.reported(e.Task, release)) == 0 {
			r.tab.skipped[e.Task] = true
		}
		return
	}
	if _, decided := r.tab.triggered[e.Task]; decided {
		return
	}
	if came, any := r.tab.triggers.take(task.Name, at.Add(-r.tab.plan.TriggerLead)); any {
		r.tab.triggered[e.Task] = came
		return
	}
	r.tab.skipped[e.Task] = true
}

// failTriggers fails the jobs of those triggers that wait, but for tasks of which keep says that they go on.
func (r *runner) failTriggers(cause string, keep func(task string) bool) {
	if r.tab.idle() {
		return
	}
	for i := range r.tab.plan.Tasks {
		task := r.tab.plan.Tasks[i].Task
		if task.Sporadic == nil || keep(task.Name) {
			continue
		}
		if _, open := r.tab.open[i]; open {
			continue // a job of the task is being read; then none waits
		}
		came, any := r.tab.triggers.take(task.Name, max(r.cfg.Bus.Now(), r.last))
		if !any {
			continue
		}
		r.tab.triggered[i] = came
		e := &scheduler.Entry{Task: i}
		job := r.tab.begin(r.cfg.Array, e, came)
		delete(r.tab.open, i)
		r.jobs = append(r.jobs, job)
		r.endJob(job, max(r.last, came), cause)
	}
}
