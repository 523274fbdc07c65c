package dispatch

import (
	"context"
	"fmt"

	"go.uber.org/zap"

	"facetd.example/bus"
	"facetd.example/scheduler"
)

// runEntry runs one segment of the table at its time.
func (r *runner) runEntry(ctx context.Context, e *scheduler.Entry, at bus.Time) error {
	tp := &r.tab.plan.Tasks[e.Task]
	job := r.tab.open[e.Task]
	if e.Segment == 0 {
		job = r.tab.begin(r.cfg.Array, e, at)
	}
	r.noteLag(at, true)
	res, err := r.drive(ctx, tp.Task.Name, at,
		&bus.Segment{Job: &job.job, Index: e.Segment, Ops: tp.Segments[e.Segment]})
	r.noteLag(res.End, false)
	for i := range res.Captures {
		job.take(&res.Captures[i], r.cfg.Bus.HostTime)
	}
	task, last := e.Task, r.tab.last(e)
	r.moveOn()
	switch {
	case err != nil:
		return r.segmentFailed(ctx, task, last, err)
	case last:
		r.endJob(task, res.End, "")
	}
	r.failures = 0
	return nil
}

// noteLag compares the bus time now with that at which a segment begins or ends.
func (r *runner) noteLag(planned bus.Time, begins bool) {
	before := r.lag.seen
	b, notify := r.lag.note(r.cfg.Bus.Now(), planned, begins, r.cfg.MaxLag)
	if r.lag.seen != before {
		r.board.setLag(r.lag.seen)
	}
	if notify && r.cfg.Behind != nil {
		r.cfg.Behind(b)
	}
}

// segmentFailed fails the job with its cause. Nobody knows how far the segment came: what the chips of the job hold is
// unknown, their registers and their loads, so jobs that have begun on them fail as well. The others go on; registers
// are brought back to what the table assumes as soon as no job is open.
func (r *runner) segmentFailed(ctx context.Context, task int, last bool, err error) error {
	job := r.tab.open[task]
	r.tab.skipped[task] = !last
	r.resync = true
	r.failures++
	cause := err.Error()
	if s := r.breaksOff(err); s != nil {
		cause = s.cause()
		r.failures = 0
	} else if ctx.Err() != nil {
		cause = "the daemon stopped in mid-job"
	}
	r.endJob(task, r.last, cause)
	r.regs.lose(job.job.Chips, r.tab.assumes)
	for _, other := range r.tab.openTasks() {
		if overlap(r.tab.open[other].job.Chips, job.job.Chips) {
			r.tab.skipped[other] = true
			r.endJob(other, r.last, fmt.Sprintf("job %d of %s failed in the middle of it, on a chip of both: %s",
				job.job.Number, job.job.Task, cause))
		}
	}
	r.log.Warn("segment failed", zap.String("task", job.job.Task), zap.Uint64("job", job.job.Number), zap.Error(err))
	if ctx.Err() == nil && r.failures >= faultAfter {
		return fmt.Errorf("%d segments failed one after another, the last with: %w", r.failures, err)
	}
	return nil
}

// refuse fails a job whose chips do not hold what it relies on, when it was to begin: without it the frames would claim
// what is not so.
func (r *runner) refuse(e *scheduler.Entry, at bus.Time) {
	job := r.tab.begin(r.cfg.Array, e, at)
	r.tab.skipped[e.Task] = true
	r.endJob(e.Task, max(r.last, at), "its chips do not hold the registers that the timetable relies on, "+
		"and there was no time to restore them before it")
	r.log.Warn("job refused: the registers of its chips are not restored", zap.String("task", job.job.Task),
		zap.Uint64("job", job.job.Number), zap.Strings("chips", r.cfg.Array.ChipNames(r.regs.doubt)))
}

// skip passes over a segment of a job that was given up.
func (r *runner) skip(e *scheduler.Entry, at bus.Time) {
	if r.tab.last(e) {
		delete(r.tab.skipped, e.Task)
	}
	r.used(at, bus.Phases{})
	r.moveOn()
}

// moveOn goes to the next entry.
func (r *runner) moveOn() {
	if r.tab.advance() {
		r.board.cycleEnded(r.tab.cycleStart())
	}
}

// endJob closes the open job of one of plan.Tasks and reports it.
func (r *runner) endJob(task int, end bus.Time, failure string) {
	job := r.tab.open[task]
	delete(r.tab.open, task)
	if s := r.box.stopped(); failure != "" && s != nil && s.Revision != r.halt.revision {
		r.halt.jobs += uint64(max(len(job.members), 1))
	}
	job.close(end, failure)
	r.report.jobEnded(job)
}

// abandon fails every open job.
func (r *runner) abandon(cause string) {
	for _, task := range r.tab.openTasks() {
		r.endJob(task, r.last, cause)
	}
}
