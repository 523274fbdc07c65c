package dispatch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"go.uber.org/zap"

	"facetd.example/bus"
	"facetd.example/scheduler"
)

// runEntry hands one segment of the table over, to run at its time. Where the bus needs no lead it waits for its end.
func (r *runner) runEntry(hard context.Context, e *scheduler.Entry, at bus.Time) error {
	tp := &r.tab.plan.Tasks[e.Task]
	job := r.tab.open[e.Task]
	if e.Segment == 0 {
		job = r.tab.begin(r.cfg.Array, e, at)
		if job.later = r.unwanted(job); !job.later || r.remote() { // a bus far away reads them in any case
			job.layCodes(every)
		}
		r.jobs = append(r.jobs, job)
		delete(r.tab.refused, e.Task)
	}
	if r.tab.last(e) {
		delete(r.tab.open, e.Task)
	}
	f := &cut(&r.spare, 1, mostAtOnce)[0]
	f.segment = bus.Segment{Job: &job.job, Index: e.Segment, Program: r.tab.runs.segments[e.Task][e.Segment],
		Values: job.values, Later: job.later, Mark: job.mark}
	if !job.later || r.remote() {
		f.segment.Into = job.codes
	}
	f.start, f.end, f.job, f.entry = at, at.Add(tp.Costs[e.Segment].Total()), job, e
	if r.tab.advance() {
		f.cycle = r.tab.cycleStart()
	}
	return r.runFlight(hard, f)
}

// unwanted reports whether nobody is known to want the pixels of a job.
func (r *runner) unwanted(job *openJob) bool {
	return r.cfg.Wanted != nil && !slices.ContainsFunc(job.members, func(m memberJob) bool {
		return r.cfg.Wanted(m.Task.Name) || r.tab.parameters.automaticOf(m.Task) != nil
	})
}

// runFlight submits a segment of the table.
func (r *runner) runFlight(hard context.Context, f *flight) error {
	r.noteLag(r.cfg.Bus.Now(), f.start.Add(-r.limits.LeastLead), true)
	if err := r.submit(f); err != nil {
		return r.entryEnded(f, &bus.Result{Start: f.start, End: f.start, Err: err})
	}
	if r.remote() {
		return nil
	}
	return r.nextUnlessStopped(hard)
}

// noTime is why a job fails that could not be run after the failure of another.
const noTime = "it was recalled after another segment had failed, and there was no time to hand it over again"

// submitAgain submits the first of the segments that were recalled, where there is still time.
func (r *runner) submitAgain(ctx, hard context.Context, now bus.Time) error {
	f := r.again[0]
	take := func() { r.again = r.again[1:] }
	switch {
	case f.job.ended:
		take()
		return nil
	case f.start < now.Add(r.limits.LeastLead):
		take()
		r.give(f.job, noTime)
		return nil
	case f.entry.Segment == 0 && r.regs.doubted(f.job.job.Chips):
		take()
		r.give(f.job, notRestored)
		return nil
	}
	take()
	return r.runFlight(hard, f)
}

// give gives up a job of the table before its next segment: the segments that are still to come are passed over.
func (r *runner) give(job *openJob, failure string) {
	if job.ended {
		return // it was given up before, or with another
	}
	if r.tab.open[job.task] == job {
		r.tab.skipped[job.task] = true
		delete(r.tab.open, job.task)
	}
	if job.ran > 0 { // it leaves in the chips what it has written
		r.regs.lose(job.job.Chips, r.tab.assumes)
	}
	r.endJob(job, max(r.last, job.job.Release), failure)
}

// entryEnded deals with the result of a segment of the table.
func (r *runner) entryEnded(f *flight, res *bus.Result) error {
	switch {
	case stalled(res.Err):
		// The bus has the say: its clock may have passed the limit between being read and being handed the segment.
		due := f.start.Add(-r.limits.LeastLead)
		r.noteLag(max(r.cfg.Bus.Now(), due.Add(r.lag.grace+r.cfg.MaxLag-res.Slack)), due, false)
	case res.Err == nil && !r.remote():
		r.noteLag(r.cfg.Bus.Now(), res.End, false)
	}
	job := f.job
	if f.entry.Segment == 0 {
		job.set.StartBusNs = res.Start.NS()
	}
	for i := range res.Captures {
		job.take(&res.Captures[i], r.cfg.Instant)
	}
	if res.Err != nil {
		if r.ending {
			return nil
		}
		return r.segmentFailed(f, res)
	}
	r.robot.ran(&f.segment, res.Start)
	job.ran++
	r.failures = 0
	if job.ran == job.job.Segments && !job.ended {
		r.endJob(job, res.End, "")
	}
	return nil
}

// noteLag compares the bus time now with that at which a segment begins or ends.
func (r *runner) noteLag(now, planned bus.Time, begins bool) {
	before := r.lag.seen
	b, notify := r.lag.note(now, planned, begins, r.cfg.MaxLag)
	if r.lag.seen != before {
		r.board.setLag(r.lag.seen)
	}
	if notify && r.cfg.Behind != nil {
		r.cfg.Behind(b)
	}
}

// noteSlack notes how much later a segment could have been handed over.
func (r *runner) noteSlack(slack time.Duration) {
	if slack < r.lag.seen.LeastSlack {
		r.lag.seen.LeastSlack = slack
		r.board.setLag(r.lag.seen)
	}
}

// behind reports whether what is due at a bus time comes too late for the bus.
func (r *runner) behind(due bus.Time) bool { return r.lag.over(r.cfg.Bus.Now(), due, r.cfg.MaxLag) }

// notRestored is why a job fails that would read on.
const notRestored = "its chips do not hold the registers that the timetable relies on, " +
	"and there was no time to restore them before it"

// segmentFailed deals with a segment that was refused or broke off. What was handed over behind it is recalled, and
// submitted again where there is time. What the chips of a job hold of which a part ran is unknown, their registers and
// their loads, so jobs that have begun on them fail as well. The others go on; the registers of those chips are brought
// back beside them.
func (r *runner) segmentFailed(f *flight, res *bus.Result) error {
	var refused *bus.RefusedError
	if errors.As(res.Err, &refused) && refused.Cause == bus.Recalled && !f.job.ended {
		r.again = append(r.again, f)
		return nil
	}
	job := f.job
	if job.ended { // the segment before it has failed
		return nil
	}
	cause := res.Err.Error()
	if res.Ran > 0 {
		cause = fmt.Sprintf("%s; it broke off after %d of %d operations, the last a %s", cause, res.Ran,
			len(f.segment.Ops), f.segment.Ops[res.Ran-1].Kind)
	}
	lost := lostBy(res.Err)
	if refused == nil && lost == nil {
		r.failures++
	}
	if refused == nil {
		job.ran++ // nobody knows how much of it
	}
	for lost != nil && len(r.jobs) > 0 && r.jobs[0] != job { // those recalled before it end first: with the bus
		r.give(r.jobs[0], lost.Error())
	}
	for _, other := range slices.Clone(r.jobs) { // recalled, and to start earlier than one that has come too late
		if other == job {
			break
		}
		if other.task == job.task {
			r.give(other, noTime)
		}
	}
	r.give(job, cause)
	for _, other := range slices.Clone(r.jobs) {
		if job.ran > 0 && other.ran > 0 && overlap(other.job.Chips, job.job.Chips) {
			r.give(other, fmt.Sprintf("job %d of %s failed in the middle of it, on a chip of both: %s",
				job.job.Number, job.job.Task, cause))
		}
	}
	r.log.Warn("segment failed", zap.String("task", job.job.Task), zap.Uint64("job", job.job.Number),
		zap.Error(res.Err))
	if lost != nil {
		r.lose(lost)
	}
	if r.failures >= faultAfter {
		return fmt.Errorf("%d segments failed one after another, the last with: %w", r.failures, res.Err)
	}
	return nil
}

// refuse fails a job whose chips do not hold what it relies on, when it was to begin: without it the frames would claim
// what is not so.
func (r *runner) refuse(e *scheduler.Entry, at bus.Time) {
	job := r.tab.begin(r.cfg.Array, e, at)
	r.jobs = append(r.jobs, job)
	r.tab.refused[e.Task]++
	r.log.Warn("job refused: the registers of its chips are not restored", zap.String("task", job.job.Task),
		zap.Uint64("job", job.job.Number), zap.Strings("chips", r.cfg.Array.ChipNames(r.regs.doubt)))
	r.give(job, notRestored)
}

// skip passes over a segment of a job that was given up.
func (r *runner) skip(e *scheduler.Entry, at bus.Time) {
	if r.tab.last(e) {
		delete(r.tab.skipped, e.Task)
	}
	r.used(min(at, r.cfg.Bus.Now()), bus.Phases{}) // what is still to come of its time is free
	r.advance()
}

// advance moves on from an entry that is not run, which may have been the last of its cycle.
func (r *runner) advance() {
	if r.tab.advance() {
		r.board.cycleEnded(r.tab.cycleStart())
	}
}

// endJob closes a job of the table and reports it. Jobs of a task end in their order: what was recalled may be given up
// while one before it, handed over again, is in flight, and is reported behind that.
func (r *runner) endJob(job *openJob, end bus.Time, failure string) {
	if s := r.box.stopped(); failure != "" && s != nil && s.Revision != r.halt.revision {
		r.halt.jobs += uint64(max(len(job.members), 1))
	}
	r.dealt = max(r.dealt, job.job.Release+1)
	job.ended, job.end, job.failure = true, end, failure
	for i := 0; i < len(r.jobs); {
		next := r.jobs[i]
		switch {
		case next.task != job.task:
			i++
		case !next.ended:
			return
		default:
			r.jobs = slices.Delete(r.jobs, i, i+1)
			next.close(next.end, next.failure)
			r.adjust(next) // before its frames are handed out
			r.report.jobEnded(next)
		}
	}
}

// abandon fails every open job, and then those of the triggers that wait, which are later ones of their tasks.
func (r *runner) abandon(cause string) {
	r.again = nil
	clear(r.tab.open)
	for len(r.jobs) > 0 {
		r.endJob(r.jobs[0], max(r.last, r.jobs[0].job.Release), cause)
	}
	r.failTriggers(cause, func(string) bool { return false })
}
