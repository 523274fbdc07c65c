package events

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/daemon/dispatch"
)

const (
	// together is the bus time within which repetitions of one thing are one event.
	together = time.Second
	// watchPeriod is how often Watch checks.
	watchPeriod = 100 * time.Millisecond
)

// Observer turns what happens on the bus into events. The first miss of a task, or violation of a
// rule, is reported at once; those within a second of bus time after the last event about it are
// counted and reported together, so that a task that misses every job does not fill the journal.
type Observer struct {
	journal  *Journal
	hostTime func(at bus.Time) (time.Time, time.Duration)

	mu    sync.Mutex
	tasks map[string]*facetdv1.Task
	runs  map[runKey]*run
}

var _ dispatch.Observer = (*Observer)(nil)

// runKey decides what counts as a repetition.
type runKey struct {
	kind facetdv1.EventKind
	task string
	rule int // of violations; else tells apart what a kind has several of
}

// run is repetitions of one thing.
type run struct {
	told bus.Time        // bus time of the last event
	more uint64          // since then
	last bus.Time        // of them
	kept *facetdv1.Event // of them: the worst, and of equally bad ones the newest
	bad  int64           // how bad that is
}

// NewObserver returns an observer that appends to a journal. hostTime maps bus time
// to host time, and may be called from any goroutine.
func NewObserver(j *Journal, hostTime func(at bus.Time) (time.Time, time.Duration)) *Observer {
	return &Observer{journal: j, hostTime: hostTime, tasks: map[string]*facetdv1.Task{}, runs: map[runKey]*run{}}
}

// SegmentRun does nothing: a segment is no event.
func (o *Observer) SegmentRun(string, *bus.Result, dispatch.WordCount) {}

// JobEndedLater is JobEnded, which needs no pixels.
func (o *Observer) JobEndedLater(fs *facetdv1.FrameSet, _ func()) { o.JobEnded(fs) }

// JobEnded reports jobs that failed or missed their deadline.
func (o *Observer) JobEnded(fs *facetdv1.FrameSet) {
	at := bus.Time(fs.GetFinishBusNs())
	switch {
	case fs.GetFailure() != "":
		what := "job " + strconv.FormatUint(fs.GetJob(), 10) + " of task " + fs.GetTask()
		if fs.GetTask() == "" {
			what = "an on-demand job"
		}
		o.repeat(runKey{facetdv1.EventKind_EVENT_KIND_JOB_FAILED, fs.GetTask(), 0}, at, 0, &facetdv1.Event{
			Severity: facetdv1.Severity_SEVERITY_WARNING, Text: what + " failed: " + fs.GetFailure(),
			Fields: Fields{"job": Integer(fs.GetJob())},
		})
	case fs.GetLate():
		late := at.Sub(bus.Time(fs.GetDeadlineBusNs()))
		key := runKey{facetdv1.EventKind_EVENT_KIND_DEADLINE_MISSED, fs.GetTask(), 0}
		o.repeat(key, at, int64(late), &facetdv1.Event{
			Severity: facetdv1.Severity_SEVERITY_WARNING,
			Text:     fmt.Sprintf("job %d of task %s ended %v after its deadline", fs.GetJob(), fs.GetTask(), late),
			Fields:   Fields{"job": Integer(fs.GetJob()), "late_ns": Integer(late.Nanoseconds())},
		})
	default:
		o.flush(at)
	}
}

// Violated reports a rule violation.
func (o *Observer) Violated(v rules.Violation) {
	o.repeat(runKey{facetdv1.EventKind_EVENT_KIND_RULE_VIOLATION, "", v.Rule}, v.At, 0, &facetdv1.Event{
		Severity: facetdv1.Severity_SEVERITY_ERROR, Chips: v.Chips,
		Text:   fmt.Sprintf("bus rule %d violated: %s", v.Rule, v.Message),
		Fields: Fields{"rule": Integer(v.Rule)},
	})
}

// Behind reports that the host fell behind the timetable, or has caught up.
func (o *Observer) Behind(b dispatch.Behind) {
	key := runKey{kind: facetdv1.EventKind_EVENT_KIND_HOST_BEHIND}
	e := &facetdv1.Event{
		Severity: facetdv1.Severity_SEVERITY_WARNING,
		Text: fmt.Sprintf("the host is %v behind the timetable; what comes so late is refused, and its jobs fail",
			b.By.Round(time.Millisecond)),
		Fields: Fields{"lag_ns": Integer(b.By.Nanoseconds())},
	}
	if b.CaughtUp {
		key.rule = 1 // repetitions of its own
		e.Severity = facetdv1.Severity_SEVERITY_INFO
		e.Text = fmt.Sprintf("the host has caught up with the timetable: %d segments were handed over too late, by up "+
			"to %v", b.Segments, b.By.Round(time.Millisecond))
		e.Fields["segments"] = Integer(b.Segments)
	}
	o.repeat(key, b.At, int64(b.By), e)
}

// often is how often a task has a job.
func often(t *facetdv1.Task) string {
	if t.GetLeastInterval() != nil {
		return fmt.Sprintf(" triggered every %v at most", t.GetLeastInterval().AsDuration())
	}
	return fmt.Sprintf(" at %g Hz", t.GetRateHz())
}

// PlanChanged reports which tasks came, went and changed.
func (o *Observer) PlanChanged(plan *facetdv1.Plan, at, _ bus.Time) {
	o.mu.Lock()
	defer o.mu.Unlock()
	now := map[string]*facetdv1.Task{}
	for _, t := range plan.GetTasks() {
		name := t.GetName()
		now[name] = t
		old, was := o.tasks[name]
		switch {
		case !was:
			o.tell(facetdv1.EventKind_EVENT_KIND_TASK_ADDED, name, at,
				fmt.Sprintf("task %s added%s", name, often(t)), plan)
		case !proto.Equal(old, t):
			o.tell(facetdv1.EventKind_EVENT_KIND_TASK_CHANGED, name, at,
				fmt.Sprintf("task %s changed, now%s", name, often(t)), plan)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(o.tasks)) {
		if now[name] == nil {
			o.tell(facetdv1.EventKind_EVENT_KIND_TASK_REMOVED, name, at, "task "+name+" removed", plan)
			for key := range o.runs {
				if key.task == name {
					o.flushRun(o.runs[key])
					delete(o.runs, key)
				}
			}
		}
	}
	o.tasks = now
}

// Paused reports that a task was paused or resumed. It may be called from any goroutine.
func (o *Observer) Paused(p dispatch.Pausing) {
	e := Info(facetdv1.EventKind_EVENT_KIND_TASK_RESUMED, "task "+p.Task+" resumed")
	if p.Paused {
		e = Info(facetdv1.EventKind_EVENT_KIND_TASK_PAUSED,
			"task "+p.Task+" paused: it keeps its place in the timetable")
	}
	e.Task = p.Task
	o.mu.Lock()
	defer o.mu.Unlock()
	o.append(e, p.At)
}

func (o *Observer) tell(kind facetdv1.EventKind, task string, at bus.Time, text string, plan *facetdv1.Plan) {
	e := Info(kind, text)
	e.Task = task
	e.Fields = Fields{"utilization": Number(plan.GetUtilization())}
	o.append(e, at)
}

func (o *Observer) append(e *facetdv1.Event, at bus.Time) {
	host, _ := o.hostTime(at)
	e.Time, e.BusNs = timestamppb.New(host), new(at.NS())
	o.journal.Append(e)
}

// repeat reports e at once, or later together with its repetitions: the newest of them, or where some are worse than
// others the worst.
func (o *Observer) repeat(key runKey, at bus.Time, bad int64, e *facetdv1.Event) {
	e.Kind, e.Task, e.BusNs, e.Count = key.kind, key.task, new(at.NS()), 1
	o.mu.Lock()
	defer o.mu.Unlock()
	o.flushOld(at)
	r := o.runs[key]
	if r == nil {
		o.runs[key] = &run{told: at}
		o.append(e, at)
		return
	}
	r.more++
	r.last = at
	if r.kept == nil || bad >= r.bad {
		r.kept, r.bad = e, bad
	}
}

// flush reports repetitions that have waited long enough at a bus time.
func (o *Observer) flush(at bus.Time) {
	o.mu.Lock()
	o.flushOld(at)
	o.mu.Unlock()
}

func (o *Observer) flushOld(at bus.Time) {
	for key, r := range o.runs {
		switch {
		case at.Sub(r.told) < together:
		case r.more > 0:
			o.flushRun(r)
			r.told = at
		default:
			delete(o.runs, key)
		}
	}
}

func (o *Observer) flushRun(r *run) {
	if r.more == 0 {
		return
	}
	e, which := r.kept, "last"
	if r.bad > 0 {
		which = "worst"
	}
	if r.more > 1 {
		e.Text += fmt.Sprintf(" (the %s of %d within %v)", which, r.more, r.last.Sub(r.told).Round(time.Millisecond))
	}
	e.Count = r.more
	o.append(e, bus.Time(e.GetBusNs()))
	r.more, r.kept, r.bad = 0, nil, 0
}

// Flush reports every repetition that waits. Call it before the journal is closed.
func (o *Observer) Flush() {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, r := range o.runs {
		o.flushRun(r)
	}
}

// Watch reports when the bus is given up, and repetitions that wait while nothing else happens,
// until ctx ends. snapshot may be called from any goroutine.
func (o *Observer) Watch(ctx context.Context, snapshot func() dispatch.Snapshot) {
	tick := time.NewTicker(watchPeriod)
	defer tick.Stop()
	faulty := false
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		s := snapshot()
		o.flush(s.Now)
		fault := s.State == facetdv1.State_STATE_FAULT
		if fault && !faulty {
			o.append(&facetdv1.Event{
				Severity: facetdv1.Severity_SEVERITY_ERROR, Kind: facetdv1.EventKind_EVENT_KIND_BUS_FAULT,
				Text: "the bus was given up, every line inactive: " + s.Fault,
			}, s.Now)
		}
		faulty = fault
	}
}
