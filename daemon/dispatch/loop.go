package dispatch

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel/bustime"
	"facetd.example/scheduler"
)

const (
	// stopGrace is how long the running segment may go on after a stop is asked
	// for; then it is given up between two operations.
	stopGrace = 300 * time.Millisecond
	// faultAfter is how many segments may fail one after another before the bus
	// counts as faulty and is not driven any more.
	faultAfter = 5
)

// table is an active timetable, and how far it has run. Only the loop uses it.
type table struct {
	plan  *scheduler.Plan // nil when there are no tasks
	tasks []*taskStats    // as asked for, in the order of scheduler.Member.Asked
	// numbers count the jobs of the bus, in the order of plan.Tasks. A task that has
	// shared jobs with others since the last table, or does so from now on, has other
	// numbers of its own.
	numbers []uint64
	epoch   bus.Time // bus time at which cycle 0 began
	cycle   int64
	next    int // index of the next entry
	// earliest[i] is the earliest release among the entries from i to the end of
	// the cycle: before it, everything released has been run.
	earliest []time.Duration
	open     map[int]*openJob // by index in plan.Tasks
	// skipped marks those of plan.Tasks whose current job was given up.
	skipped map[int]bool
	gaps    gapList
}

// newTable is a table at its beginning. The bus jobs that the table before had too
// are counted on.
func newTable(plan *scheduler.Plan, tasks []*taskStats, epoch bus.Time, before *table) *table {
	t := &table{plan: plan, tasks: tasks, epoch: epoch, open: map[int]*openJob{}, skipped: map[int]bool{}}
	if plan == nil {
		return t
	}
	t.numbers = make([]uint64, len(plan.Tasks))
	for i := range t.numbers {
		t.numbers[i] = before.numberOf(plan.Tasks[i].Task.Name)
	}
	t.earliest = make([]time.Duration, len(plan.Entries)+1)
	t.earliest[len(plan.Entries)] = plan.Hyperperiod
	for i := len(plan.Entries) - 1; i >= 0; i-- {
		t.earliest[i] = min(t.earliest[i+1], plan.Entries[i].Release)
	}
	t.gaps = gapsOf(plan)
	return t
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

// quiescent returns the latest instant from last to now at which a change loses
// nothing: no job is open then, and none released before it waits. last is when the
// bus was last used. On a host that cannot keep up the instant lies before now, as
// the segments that run then do; without it a change would wait for ever.
func (t *table) quiescent(last, now bus.Time) (bus.Time, bool) {
	if len(t.open) > 0 {
		return 0, false
	}
	if t.idle() {
		return now, true
	}
	at := min(now, t.cycleStart().Add(t.earliest[t.next]))
	return at, at >= last
}

// Run drives the bus until ctx ends or the bus time of Config.StopAt, and
// leaves every select line inactive. It returns nil in both cases, and the cause
// when the bus failed for good.
func (d *Dispatcher) Run(ctx context.Context) error {
	hard, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	stop := context.AfterFunc(ctx, func() { time.AfterFunc(stopGrace, cancel) })
	defer stop()

	defer d.shut("the daemon stopped")
	d.setState(facetdv1.State_STATE_RUNNING, "")
	if err := d.takeChange(hard, &d.standing, firstStart); err != nil {
		return err
	}
	for ctx.Err() == nil && !d.reachedStop() {
		if err := d.step(ctx, hard); err != nil {
			d.abandon("the bus failed: " + err.Error())
			d.release() // now: the daemon may stay up for long
			d.setState(facetdv1.State_STATE_FAULT, err.Error())
			d.log.Error("bus given up, every line inactive", zap.Error(err))
			d.refuseAll(&StoppedError{Reason: err.Error()})
			<-ctx.Done()
			return err
		}
	}
	d.setState(facetdv1.State_STATE_STOPPING, "")
	d.abandon("the daemon stopped")
	return nil
}

// reachedStop reports whether the run is to end here.
func (d *Dispatcher) reachedStop() bool {
	if d.cfg.StopAt == 0 || len(d.tab.open) > 0 {
		return false
	}
	if d.tab.idle() {
		return d.last >= d.cfg.StopAt
	}
	_, at := d.tab.entry()
	return at >= d.cfg.StopAt
}

// step does the next thing: a change, an on-demand job, a wait, or a segment.
func (d *Dispatcher) step(ctx, hard context.Context) error {
	now := max(d.cfg.Bus.Now(), d.last)
	quiescentAt, quiescent := d.tab.quiescent(d.last, now)
	if quiescent {
		if c := d.claimChange(); c != nil {
			return d.takeChange(hard, c, quiescentAt)
		}
	}
	d.mu.Lock()
	d.resync = d.resync || d.resyncAsked
	d.resyncAsked = false
	d.answerWatchers()
	d.mu.Unlock()
	if d.resync && quiescent {
		return d.takeChange(hard, &d.standing, quiescentAt)
	}
	if d.tab.idle() {
		if one := d.pick(now, bustime.Forever); one != nil {
			return d.runOnDemand(hard, one, now)
		}
		return d.waitIdle(ctx)
	}
	entry, at := d.tab.entry()
	if !d.resync { // what registers hold is not known before
		begin := now
		if at < now {
			// The host lags: the bus works off its table without waiting, and the gap is
			// still there in bus time.
			begin = d.last
		}
		if one := d.pick(begin, at); one != nil {
			return d.runOnDemand(hard, one, begin)
		}
	}
	if d.tab.skipped[entry.Task] {
		d.skip(entry, at)
		return nil
	}
	if at > now {
		woken, err := d.wait(ctx, at)
		if woken || err != nil {
			return err
		}
	}
	return d.runEntry(hard, entry, at)
}

// wait blocks until bus time at. It reports true when something else is to be
// looked at first: a request, or the end.
func (d *Dispatcher) wait(ctx context.Context, at bus.Time) (bool, error) {
	waitCtx, cancel := context.WithCancel(ctx)
	defer cancel()
	if !d.armWake(cancel, at) {
		return true, nil
	}
	err := d.cfg.Bus.WaitUntil(waitCtx, at)
	d.disarmWake()
	if err == nil {
		return false, nil
	}
	if waitCtx.Err() != nil {
		return true, nil
	}
	return true, err
}

// waitIdle blocks while there is no table: bus time runs on only to a stop that
// was asked for.
func (d *Dispatcher) waitIdle(ctx context.Context) error {
	if d.cfg.StopAt > 0 {
		woken, err := d.wait(ctx, d.cfg.StopAt)
		if err == nil && !woken {
			d.reachLast(d.cfg.StopAt)
		}
		return err
	}
	waitCtx, cancel := context.WithCancel(ctx)
	defer cancel()
	if d.armWake(cancel, bustime.Forever) {
		<-waitCtx.Done()
		d.disarmWake()
	}
	return nil
}

// runEntry runs one segment of the table at its time.
func (d *Dispatcher) runEntry(ctx context.Context, e *scheduler.Entry, at bus.Time) error {
	tp := &d.tab.plan.Tasks[e.Task]
	job := d.tab.open[e.Task]
	if e.Segment == 0 {
		job = d.beginJob(e, at)
	}
	ops := tp.Segments[e.Segment]
	d.noteLag(at, true)
	res, err := d.cfg.Bus.Run(ctx, at, &bus.Segment{Job: &job.job, Index: e.Segment, Ops: ops})
	d.account(tp.Task.Name, &res, ops)
	d.noteLag(res.End, false)
	for i := range res.Captures {
		job.take(&res.Captures[i], d.cfg.Bus.HostTime)
	}
	last := e.Segment == len(tp.Segments)-1
	task := e.Task
	d.moveOn()
	switch {
	case err != nil:
		return d.segmentFailed(ctx, task, last, err)
	case last:
		delete(d.tab.open, task)
		d.endJob(job, res.End, "")
	}
	d.failures = 0
	return nil
}

// beginJob opens the job of a table's entry, with the next number of every member.
func (d *Dispatcher) beginJob(e *scheduler.Entry, at bus.Time) *openJob {
	t := d.tab
	tp := &t.plan.Tasks[e.Task]
	begin := t.cycleStart()
	job := newOpenJob(d.cfg.Array, bus.Job{
		Task: tp.Task.Name, Number: t.numbers[e.Task],
		Release: begin.Add(e.Release), Deadline: begin.Add(e.Deadline),
		MaxHold: tp.Task.MaxHold, MaxSkew: tp.Task.MaxSkew,
		Chips: tp.Task.Chips, Segments: len(tp.Segments),
	}, at, tp.Task.Views, tp.Frames)
	t.numbers[e.Task]++
	job.members = make([]memberJob, len(tp.Members))
	for i := range tp.Members {
		m := &tp.Members[i]
		stats := t.tasks[m.Asked]
		job.members[i] = memberJob{m, stats, stats.nextJob, begin.Add(t.plan.MemberDeadline(e, m))}
		stats.nextJob++
	}
	t.open[e.Task] = job
	return job
}

// segmentFailed fails the job with its cause. The other jobs go on; registers are
// brought back to what the table assumes as soon as no job is open.
func (d *Dispatcher) segmentFailed(ctx context.Context, task int, last bool, err error) error {
	job := d.tab.open[task]
	delete(d.tab.open, task)
	d.tab.skipped[task] = !last
	d.resync = true
	d.failures++
	cause := err.Error()
	if ctx.Err() != nil {
		cause = "the daemon stopped in mid-job"
	}
	d.endJob(job, d.last, cause)
	var broken *rules.ViolationError
	if errors.As(err, &broken) {
		for _, v := range broken.Violations {
			d.violated(v)
		}
	}
	d.log.Warn("segment failed", zap.String("task", job.job.Task), zap.Uint64("job", job.job.Number), zap.Error(err))
	if ctx.Err() == nil && d.failures >= faultAfter {
		return fmt.Errorf("%d segments failed one after another, the last with: %w", d.failures, err)
	}
	return nil
}

// skip passes over a segment of a job that was given up.
func (d *Dispatcher) skip(e *scheduler.Entry, at bus.Time) {
	if e.Segment == len(d.tab.plan.Tasks[e.Task].Segments)-1 {
		delete(d.tab.skipped, e.Task)
	}
	d.reachLast(at)
	d.moveOn()
}

// reachLast moves the end of what has been dealt with to at. The loop alone writes
// it, and reads it without the lock.
func (d *Dispatcher) reachLast(at bus.Time) {
	d.mu.Lock()
	d.last = max(d.last, at)
	d.mu.Unlock()
}

// moveOn goes to the next entry. At the end of a cycle it notes the bus time used,
// over which utilization is measured.
func (d *Dispatcher) moveOn() {
	if !d.tab.advance() {
		return
	}
	d.mu.Lock()
	d.cycleBusy, d.cycleEnd = d.busy, d.tab.cycleStart()
	d.mu.Unlock()
}

// endJob closes a job and tells everybody: the inspector of the job as one, the
// others of each member's part.
func (d *Dispatcher) endJob(job *openJob, end bus.Time, failure string) {
	job.close(end, failure)
	if in := d.cfg.Inspector; in != nil {
		in.FrameSet(&job.job, job.set)
		in.JobEnded(&job.job, outcomeOf(job.set))
		for _, v := range in.Take() {
			d.violated(v)
		}
	}
	if len(job.members) == 0 {
		d.cfg.Observer.JobEnded(job.set)
		return
	}
	for i := range job.members {
		m := &job.members[i]
		set := job.setOf(m)
		d.mu.Lock()
		m.stats.ended(set)
		d.mu.Unlock()
		d.cfg.Observer.JobEnded(set)
	}
}

func outcomeOf(fs *facetdv1.FrameSet) bus.Outcome {
	switch {
	case fs.GetFailure() != "":
		return bus.Outcome{Kind: bus.Failed, Cause: fs.GetFailure()}
	case fs.GetLate():
		return bus.Outcome{Kind: bus.Late}
	}
	return bus.Outcome{Kind: bus.OnTime}
}

// abandon fails every open job.
func (d *Dispatcher) abandon(cause string) {
	for _, task := range slices.Sorted(maps.Keys(d.tab.open)) {
		job := d.tab.open[task]
		delete(d.tab.open, task)
		d.endJob(job, d.last, cause)
	}
}

// account notes what a segment did.
func (d *Dispatcher) account(task string, r *bus.Result, ops []bus.Op) {
	d.mu.Lock()
	d.last = max(d.last, r.End)
	d.busy.Add(r.Busy)
	d.mu.Unlock()
	d.cfg.Observer.SegmentRun(task, r, d.wordsOf(ops))
}

// wordsOf counts the select words of a program by what they reach.
func (d *Dispatcher) wordsOf(ops []bus.Op) WordCount {
	var n WordCount
	for i := range ops {
		if ops[i].Kind != bus.OpSelect || ops[i].Word == 0 {
			continue
		}
		reached, seen := d.reach[ops[i].Word]
		if !seen {
			reached = len(d.cfg.Array.Reach(ops[i].Word))
			d.reach[ops[i].Word] = reached
		}
		switch reached {
		case 0:
		case 1:
			n.Single++
		case len(d.cfg.Array.Chips):
			n.Broadcast++
		default:
			n.Group++
		}
	}
	return n
}
