package campaign

import (
	"errors"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
)

// judgeTriggers: every trigger that was taken is one job, in order and with the number that was told, and nothing else
// is; none is taken or refused against the least interval; and no response is longer than promised, where no fault or
// what it has left behind explains it.
func (o *outcome) judgeTriggers(l *life, last bool) {
	for _, x := range l.s.triggers {
		var taken []*triggered
		for _, t := range l.triggers {
			if t.task == x.task && o.judgeTrigger(l, t, taken) {
				taken = append(taken, t)
			}
		}
		for _, fs := range l.ledger.sets {
			if fs.GetTask() != x.task {
				continue
			}
			if len(taken) == 0 || taken[0].answer.GetJob() != fs.GetJob() ||
				taken[0].answer.GetReleaseBusNs() != fs.GetReleaseBusNs() {
				o.problem("job %d of %s, released at %d, is not of the trigger that was taken next: %v", fs.GetJob(),
					x.task, fs.GetReleaseBusNs(), taken[:min(1, len(taken))])
				return
			}
			taken = taken[1:]
			o.tally.paths[pathTriggered]++
			o.judgeResponse(l, fs)
		}
		for _, t := range taken {
			if due := bus.Time(t.answer.GetReleaseBusNs()).Add(l.longestResponse() + o.leftAtEnd(l)); last &&
				l.cause == nil && due < l.finish {
				o.problem("the job of a trigger of %s at %d has not ended by %v", x.task, t.answer.GetReleaseBusNs(),
					l.finish)
				return
			}
		}
	}
}

// judgeTrigger judges the answer to a trigger by those that were taken before, and reports whether it was taken.
func (o *outcome) judgeTrigger(l *life, t *triggered, taken []*triggered) bool {
	i := slices.IndexFunc(l.s.tasks, func(s *facetdv1.Task) bool { return s.GetName() == t.task })
	interval := l.s.tasks[i].GetLeastInterval().AsDuration()
	release, next := bus.Time(t.answer.GetReleaseBusNs()), bus.Time(0)
	if len(taken) > 0 {
		next = bus.Time(taken[len(taken)-1].answer.GetReleaseBusNs()).Add(interval)
	}
	var soon *dispatch.TooSoonError
	var precondition *failure.Precondition
	switch {
	case t.err == nil && release < next:
		o.problem("a trigger of %s at %d was taken, the next was to be from %v on", t.task,
			t.answer.GetReleaseBusNs(), next)
	case t.err == nil && (release < t.from || release > t.till):
		o.problem("a trigger of %s between %v and %v is said to be of %d", t.task, t.from, t.till,
			t.answer.GetReleaseBusNs())
	case t.again != nil && !proto.Equal(t.again, t.answer):
		o.problem("a trigger of %s was answered with %v, and when it was sent again with %v", t.task, t.answer, t.again)
	case errors.As(t.refused, &soon):
		o.problem("a trigger of %s was answered with %v, and when it was sent again it was made again: %v", t.task,
			t.answer, t.refused)
	case errors.As(t.err, &soon):
		o.tally.paths[pathTooSoon]++
		if t.from >= next {
			o.problem("a trigger of %s at %v was refused as too soon, the next was to be from %v on", t.task, t.from,
				next)
		}
	case errors.As(t.err, &precondition) && precondition.Kind == failure.Paused:
		books, _ := l.books()
		if !toldPaused(l.pauses(books, t.task), t.from, t.till) {
			o.problem("a trigger of %s at %v was refused as the task was paused over %v", t.task, t.from,
				l.pauses(books, t.task))
		}
	}
	if t.again != nil {
		o.tally.paths[pathRepeated]++
	}
	return t.err == nil
}

// judgeResponse judges the job of a trigger: before the first fault of the bus, and once what faults have left behind
// has settled, no response is longer than promised.
func (o *outcome) judgeResponse(l *life, fs *facetdv1.FrameSet) {
	release, finish := bus.Time(fs.GetReleaseBusNs()), bus.Time(fs.GetFinishBusNs())
	allowed := time.Duration(0)
	if l.firstStrike() <= finish {
		calm := l == o.lives[len(o.lives)-1] && release > bus.Time(o.calm+o.recovery.settling)
		if !calm {
			return
		}
		allowed = o.recovery.allowed(release.Elapsed() - o.calm)
	}
	if cause := fs.GetFailure(); cause != "" {
		// Where a panic strikes at a later time, what was handed over for an earlier one fails of it, too.
		explained := []string{"stop", "the task was removed", errInjected.Error()}
		if !slices.ContainsFunc(explained, func(x string) bool { return strings.Contains(cause, x) }) {
			o.problem("job %d of %s, triggered at %v where no fault explains it: %s", fs.GetJob(), fs.GetTask(),
				release, cause)
		}
		return
	}
	promised := time.Duration(0)
	for i := range l.ledger.plans { // a trigger that comes during a change may take as long as both promise
		p := &l.ledger.plans[i]
		ended := i+1 < len(l.ledger.plans) && l.ledger.plans[i+1].epoch <= release
		if ended || p.epoch > finish {
			continue
		}
		for _, t := range p.plan.GetPredictions() {
			if t.GetTask() == fs.GetTask() {
				promised += time.Duration(t.GetWorstResponseNs())
			}
		}
	}
	if took := finish.Sub(release); took > promised+allowed {
		o.problem("job %d of %s, triggered at %v, took %v, promised were %v, and %v is allowed for a lag", fs.GetJob(),
			fs.GetTask(), release, took, promised, allowed)
		return
	}
	o.tally.paths[pathPromise]++
}

// firstStrike is when the first fault of the bus, or of what drives it, took effect.
func (l *life) firstStrike() bus.Time {
	first := bus.Time(1 << 62)
	for _, s := range l.bus.strikes {
		if s.fault.kind.ofBus() {
			first = min(first, s.at)
		}
	}
	return first
}
