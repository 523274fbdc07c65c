package dispatch

import (
	"context"
	"errors"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/scheduler"
)

// spareLead is how much earlier than it must a segment is handed over to a bus far away: a host that stands still for
// less than that costs nothing. An on-demand job waits for what was handed over before it, so it cannot be for long.
const spareLead = 30 * time.Millisecond

// answerLimit is how long the bus may take to say what became of segments in flight after a release.
const answerLimit = time.Second

// flight is a segment that is in flight: submitted to the bus, with its result to come.
type flight struct {
	segment    bus.Segment
	start, end bus.Time         // as planned
	job        *openJob         // nil for initializations
	entry      *scheduler.Entry // nil where it is not of the table
	cycle      bus.Time         // end of the cycle of which it is the last; 0 of others
	// ended, for what is not of the table, is called with its result.
	ended func(res *bus.Result) error
	res   bus.Result // once it has ended
}

// handingOver is the longest that is allowed for the time from reading the clock to handing over. The more it is, the
// less of the bus's queue is left for what was foreseen.
const handingOver = 10 * time.Millisecond

// lead is how long before its start a segment is handed over when it was not foreseen. The time from reading the clock
// to handing over must fit in as well, for which the same again is allowed.
func (r *runner) lead() time.Duration { return leadOf(r.limits) }

func leadOf(l bus.Limits) time.Duration { return l.LeastLead + min(l.LeastLead, handingOver) }

// soonest is the earliest start of a segment that is handed over now.
func (r *runner) soonest(now bus.Time) bus.Time { return r.cfg.Array.UpTime(now.Add(r.lead())) }

// triggerLead is how long before its start the runner decides whether a reservation is used.
func triggerLead(l bus.Limits) time.Duration {
	if l.LeastLead == 0 {
		return 0
	}
	return leadOf(l) + spareLead
}

// remote reports whether the bus is to be given work ahead of time.
func (r *runner) remote() bool { return r.limits.LeastLead > 0 }

// handOver is when a segment of the table is handed over.
func (r *runner) handOver(start bus.Time) bus.Time {
	return start.Add(-triggerLead(r.limits))
}

// submit hands a segment over. Where the bus is found lost, what was handed over before has its result still, and what
// is numbered ends in order: that is taken first. Errors: the bus's.
func (r *runner) submit(f *flight) error {
	r.lag.handedOver(r.cfg.Bus.Now(), f.start.Add(-r.limits.LeastLead))
	if err := r.cfg.Bus.Submit(f.start, &f.segment); err != nil {
		if lostBy(err) != nil {
			r.drain()
		}
		return err
	}
	r.flights = append(r.flights, f)
	r.taken = max(r.taken, f.end)
	r.noteHanded(f.end)
	return nil
}

// await waits for the result of the first segment in flight and deals with it. It returns without one when something
// else is to be looked at: at bus time until or, before its start, when something came in.
func (r *runner) await(ctx, hard context.Context, until bus.Time) error {
	f := r.flights[0]
	switch now := r.cfg.Bus.Now(); {
	case until < f.end: // before it there is no result
		_, err := r.wait(ctx, until)
		return err
	case !r.remote() || f.start <= now:
		return r.nextUnlessStopped(hard)
	}
	waitCtx, cancel := r.idle.under(ctx)
	if !r.box.armWake(cancel) {
		return nil
	}
	err := r.next(waitCtx)
	r.box.disarmWake()
	return err
}

// answerEvery is how often the runner says that it is alive while a segment runs. A watchdog of ten seconds gives it a
// third of that to answer.
const answerEvery = time.Second

// nextUnlessStopped is next, which a safe stop ends. A segment may have exposures of a minute each: until it is to end,
// whoever asks meanwhile is told that the runner goes on. A bus from which nothing comes after that is no proof of it.
func (r *runner) nextUnlessStopped(hard context.Context) error {
	if r.unstopped == nil || r.unstopped.Err() != nil { // one serves until it is used: that costs a segment nothing
		r.unstopped, r.breakOff = context.WithCancel(hard)
	}
	r.box.armBreak(r.halt.revision, r.breakOff)
	defer r.box.disarmBreak()
	for len(r.flights) > 0 && (r.cfg.Held || r.flights[0].end.Sub(r.cfg.Bus.Now()) > answerEvery) {
		again, err := r.nextWithin(answerEvery)
		if !again || err != nil {
			return err
		}
		r.box.goesOn()
	}
	return r.next(r.unstopped)
}

// nextWithin is next for some time, and reports whether that is over and nothing else has happened.
func (r *runner) nextWithin(limit time.Duration) (over bool, err error) {
	ctx, cancel := context.WithTimeout(r.unstopped, limit)
	defer cancel()
	first := r.flights[0]
	err = r.next(ctx)
	return len(r.flights) > 0 && r.flights[0] == first && r.unstopped.Err() == nil, err
}

// next takes the result of the first segment in flight and deals with it. It does nothing when ctx ends before. Errors:
// a bus that gives no results any more.
func (r *runner) next(ctx context.Context) error {
	res, err := r.cfg.Bus.Next(ctx)
	if err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}
	f := r.flights[0]
	f.res = res
	r.flights = r.flights[:copy(r.flights, r.flights[1:])]
	end := res.End
	if res.Refused() {
		r.notRun(f.end)
		// What was recalled is handed over again, and its time still to come. Where all is broken off its job fails,
		// and with that its time is dealt with: what comes next has later releases.
		if !r.ending {
			end = min(end, r.cfg.Bus.Now())
		}
	}
	r.used(end, res.Busy)
	if len(r.flights) == 0 {
		r.taken = r.last
	}
	r.noteSlack(res.Slack)
	if !res.Refused() {
		task := ""
		if f.entry != nil {
			task = f.job.job.Task
		}
		r.report.segmentRun(task, &f.res, f.segment.Ops[:res.Ran])
	}
	if res.Err != nil {
		var broken *rules.ViolationError
		if errors.As(res.Err, &broken) {
			r.report.violated(broken.Violations)
		}
	}
	if f.cycle > 0 {
		r.board.cycleEnded(f.cycle)
	}
	if f.entry == nil {
		err = f.ended(&f.res)
	} else {
		err = r.entryEnded(f, &f.res)
	}
	if err != nil {
		return err
	}
	if res.Err == nil || r.ending {
		return nil
	}
	// What was handed over behind it is recalled. It is taken now, whatever else came in: what is handed over next is
	// to come after it.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), answerLimit)
	defer cancel()
	for before := len(r.flights) + 1; err == nil && len(r.flights) > 0 && len(r.flights) < before; {
		before = len(r.flights)
		err = r.next(ctx)
	}
	if r.remote() {
		r.recalled = r.cfg.Bus.Now().Add(r.limits.LeastLead)
	}
	return err
}

// drive runs a segment that is not of the table behind what is in flight, and waits for its end. When ctx ends before,
// or the bus is given up for what is before it, the lines are released, and what was before it is accounted for first.
func (r *runner) drive(ctx context.Context, f *flight) bus.Result {
	var res *bus.Result
	f.ended = func(ended *bus.Result) error { res = ended; return nil }
	err := r.submit(f)
	for err == nil && res == nil {
		before := len(r.flights)
		if err = r.nextUnlessStopped(ctx); res == nil && (err != nil || len(r.flights) == before) {
			_, released := r.cfg.Bus.Release(context.WithoutCancel(ctx))
			r.drain()
			if err == nil { // ctx has ended
				err = released
				break
			}
			return bus.Result{Start: f.start, End: f.start, Err: err}
		}
	}
	if res == nil {
		res = &bus.Result{Start: f.start, End: f.start, Err: err}
	}
	return *res
}

// drain takes the results of all that is in flight after it was recalled or the lines were released; what the bus says
// nothing of has failed.
func (r *runner) drain() {
	ctx, cancel := context.WithTimeout(context.Background(), answerLimit)
	defer cancel()
	before := r.ending
	r.ending = true
	defer func() { r.ending = before }()
	for len(r.flights) > 0 {
		flights := len(r.flights)
		err := r.next(ctx)
		if len(r.flights) < flights {
			continue
		}
		if err == nil {
			err = ctx.Err()
		}
		f := r.flights[0]
		r.flights = r.flights[1:]
		r.notRun(f.end)
		if f.entry == nil {
			_ = f.ended(&bus.Result{Start: f.start, End: f.start, Err: err}) // the lines are released in any case
		}
	}
}
