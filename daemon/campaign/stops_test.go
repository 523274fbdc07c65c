package campaign

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/dispatch"
)

// stop is a safe stop that somebody asks for, and resumes after a while.
type stop struct {
	at, hold time.Duration
	again    time.Duration // until the same is asked for once more; 0 is never
}

// randomStops are none in two seeds of three, but where the driver is to panic: with half of those the array is being
// resumed.
func randomStops(r *rand.Rand, s *scenario) []stop {
	var out []stop
	if r.IntN(3) == 0 {
		out = stopsAnywhere(r, s)
	}
	for _, f := range s.faults {
		if f.kind != driverPanic || r.IntN(2) == 0 {
			continue
		}
		before := time.Duration(1 + r.Int64N(int64(20*time.Millisecond)))
		if at := f.at.Elapsed() - before; at > 0 {
			out = append(out, stop{at: at, hold: before + time.Duration(r.Int64N(int64(f.until-f.at)/2+1))})
		}
	}
	return out
}

func stopsAnywhere(r *rand.Rand, s *scenario) (out []stop) {
	for _, at := range instants(r, 1+r.IntN(3), s.safety) {
		x := stop{at: at, hold: time.Duration(r.Int64N(int64(200*time.Millisecond)))>>r.IntN(8) | 1}
		if r.IntN(4) == 0 {
			x.again = time.Duration(r.Int64N(int64(x.hold)))
		}
		out = append(out, x)
	}
	return out
}

// retryResume is how long somebody waits who could not resume.
const retryResume = 11*time.Millisecond + 1

// stopped is what became of a request for a safe stop. Bus times are those of the calls.
type stopped struct {
	asked   bus.Time
	answer  *dispatch.SafeStop // nil of one from before the start
	tries   []bus.Time         // to resume
	resumed bus.Time           // when the last of them was asked for, which did; 0 is never
	at      time.Time          // the same, by the clock that passes here
	cause   error              // of the first one that did not
}

// halt stops the array and resumes it, as often as it takes. One that was stopped by somebody else as well is resumed
// for both: the operators have talked. Who then asks once more stops it anew.
func (l *life) halt(x *stop, i int) {
	reason := dispatch.StopReason{By: fmt.Sprint("operator ", i), Reason: "a cable is loose", At: time.Now()}
	last := l.stopFor(reason)
	if x.again > 0 && l.wait(x.again) {
		last = l.stopFor(reason)
	}
	l.wait(x.hold - x.again)
	l.resume(last)
}

func (l *life) stopFor(reason dispatch.StopReason) *stopped {
	out := &stopped{asked: l.driven.Now()}
	l.mu.Lock()
	l.stops = append(l.stops, out)
	l.mu.Unlock()
	answer := l.disp.SafeStop(context.Background(), reason)
	out.answer = &answer
	return out
}

// resume resumes the array, as often as it takes, unless it has been already.
func (l *life) resume(out *stopped) {
	for l.ctx.Err() == nil && l.disp.Stopped() != nil {
		at, asked := l.driven.Now(), time.Now()
		out.tries = append(out.tries, at)
		_, _, err := l.disp.Resume(l.ctx, 0)
		if err == nil {
			out.resumed, out.at = at, asked
			return
		}
		if out.cause == nil {
			out.cause = err
		}
		if errors.As(err, new(*dispatch.StoppedError)) || !l.wait(retryResume) {
			return // the process ends, and is started again
		}
	}
}

// resumeAfterStart resumes an array that was stopped before the process began.
func (l *life) resumeAfterStart() {
	out := &stopped{}
	l.resume(out)
	l.stops = append(l.stops, out)
}

// judgeStops: from when a stop has been confirmed nothing runs on the bus until the array is resumed, but
// initializations of attempts at that.
func (o *outcome) judgeStops(l *life) {
	for _, x := range l.stops {
		if x.answer == nil {
			continue
		}
		lines := x.answer.Lines
		switch {
		case lines.State == facetdv1.LineState_LINE_STATE_CONFIRMED:
		case l.s.remote == nil && l.cause == nil:
			o.problem("a stop at %v on a bus that is there leaves the lines %v: %s", x.asked, lines.State, lines.Why)
		default:
			continue // the link is cut, or the process ended
		}
		if what := l.ranWhile(x, lines.At); what != "" {
			o.problem("%s", what)
			return
		}
	}
}

// ranWhile names what ran from a bus time on although the array was stopped.
func (l *life) ranWhile(x *stopped, from bus.Time) string {
	until, first := bus.Time(1<<62), bus.Time(1<<62)
	for _, other := range l.stops { // whoever resumes the array does so for all
		if other.resumed > x.asked {
			until = min(until, other.resumed)
		}
		for _, at := range other.tries {
			if at > x.asked {
				first = min(first, at)
			}
		}
	}
	for i := range l.driven.log {
		e := &l.driven.log[i]
		initialization := e.job.Task == "" && len(e.job.Chips) == len(l.s.array.Chips) && e.res.Start >= first
		if e.res.Ran > 0 && e.res.End > from && e.res.Start < until && !initialization {
			return fmt.Sprintf("job %d of %q ran from %v to %v although the array was stopped from %v to %v",
				e.job.Number,
				e.job.Task, e.res.Start, e.res.End, from, until)
		}
	}
	return ""
}

// stoppedAt is from when a timetable was stopped that was active until a bus time; false where it was not. One that
// takes effect although somebody has asked for a stop meanwhile is stopped from its beginning.
func (l *life) stoppedAt(p *planned, until bus.Time) (bus.Time, bool) {
	at, is := bus.Time(0), false
	for _, x := range l.stops {
		over := slices.ContainsFunc(l.stops, func(other *stopped) bool {
			return other.resumed > x.asked && other.at.Before(p.at)
		})
		if from := max(x.asked, p.epoch); x.asked < until && !over && (!is || from < at) {
			at, is = from, true
		}
	}
	return at, is
}
