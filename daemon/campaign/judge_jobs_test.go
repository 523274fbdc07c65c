package campaign

import (
	"errors"
	"slices"
	"strings"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/dispatch"
)

// judge checks what must hold after every run.
func (o *outcome) judge(dir string) {
	for i, l := range o.lives {
		last := i == len(o.lives)-1
		o.judgeEnd(l, last)
		o.judgeNumbers(l)
		o.judgeReleases(l, last)
		o.judgeGrid(l)
		o.judgeLead(l)
		o.judgeTriggers(l, last)
		o.judgeBooks(l)
		o.judgeChanges(l)
		o.judgeRules(l)
		o.judgeFrames(l)
		o.judgeParameters(l)
		o.judgeStops(l)
		o.judgeMaps(l)
		o.judgeReaders(l)
		o.judgeRecordings(l, dir)
		o.judgeEvents(l)
		o.count(l)
	}
	o.judgeJournal(dir)
	o.judgeLiveness(o.lives[len(o.lives)-1])
	o.digest = digestOf(o.lives)
}

// judgeEnd: a life that ended by itself did so for a panic that was injected, or because as many segments failed one
// after another as the dispatcher bears.
func (o *outcome) judgeEnd(l *life, last bool) {
	if l.driven.active {
		o.problem("the lines were not released at the end")
	}
	var panicked *dispatch.PanicError
	switch {
	case errors.As(l.cause, &panicked) && panicked.Value != errInjected:
		o.problem("a panic that nobody injected: %v\n%s", panicked.Value, panicked.Stack)
	case last && l.cause != nil:
		o.problem("the dispatcher ended with: %v", l.cause)
	case !last && !slices.ContainsFunc(l.bus.strikes, func(s strike) bool { return s.fault.kind == driverPanic }):
		failed := 0
		for _, e := range slices.Backward(l.driven.log) {
			if e.err == nil && e.job.Task != "" {
				break // what is not of the timetable does not count as a success
			}
			if e.err != nil {
				failed++
			}
		}
		if failed < 5 {
			o.problem("the bus was given up after %d failures: %v, %v", failed, l.cause, l.final.Fault)
		}
	}
}

// judgeNumbers: the jobs of each task are numbered without a gap, in order of their releases, and the status counts
// each once.
func (o *outcome) judgeNumbers(l *life) {
	type counts struct{ onTime, late, failed, next uint64 }
	of := map[string]*counts{}
	released := map[string]int64{}
	for _, fs := range l.ledger.sets {
		name := fs.GetTask()
		if name == "" {
			continue
		}
		if of[name] == nil {
			of[name] = &counts{}
		}
		c := of[name]
		if fs.GetJob() != c.next || c.next > 0 && fs.GetReleaseBusNs() <= released[name] {
			o.problem("job %d of %s, released at %d, ended where job %d was due, after a release at %d", fs.GetJob(),
				name,
				fs.GetReleaseBusNs(), c.next, released[name])
			return
		}
		c.next, released[name] = fs.GetJob()+1, fs.GetReleaseBusNs()
		late := fs.GetFinishBusNs() > fs.GetDeadlineBusNs()
		if late != fs.GetLate() && fs.GetFailure() == "" {
			o.problem("job %d of %s ended at %d, deadline %d: late is %v", fs.GetJob(), name, fs.GetFinishBusNs(),
				fs.GetDeadlineBusNs(), fs.GetLate())
		}
		switch {
		case fs.GetFailure() != "":
			c.failed++
		case late:
			c.late++
		default:
			c.onTime++
		}
		o.jobs++
	}
	for _, t := range l.final.Tasks {
		c := of[t.GetTask().GetName()]
		if c == nil {
			c = &counts{}
		}
		if s := t.GetStatus(); s.GetJobsOnTime() != c.onTime || s.GetJobsLate() != c.late ||
			s.GetJobsFailed() != c.failed {
			o.problem("%s: %d jobs on time, %d late and %d failed are counted, it was %+v", t.GetTask().GetName(),
				s.GetJobsOnTime(), s.GetJobsLate(), s.GetJobsFailed(), *c)
		}
	}
}

// judgeLiveness: once what the faults have left behind has settled no job fails, and each ends by its deadline and the
// lag that the idle part of the timetable cannot have worked off by then: soon none.
func (o *outcome) judgeLiveness(l *life) {
	// What is released in the last hyperperiod may still wait.
	hyperperiod := time.Duration(l.final.Plan.GetTimetable().GetHyperperiodNs())
	from, to := bus.Time(o.calm+o.recovery.settling), l.finish.Add(-hyperperiod-o.leftAtEnd(l))
	if len(l.ledger.plans) == 0 {
		o.problem("no timetable ever took effect: %v", l.final.Fault)
		return
	}
	plan := &l.ledger.plans[len(l.ledger.plans)-1]
	on := map[string]int{}
	for _, fs := range l.ledger.sets {
		if fs.GetTask() == "" || bus.Time(fs.GetReleaseBusNs()) < from || bus.Time(fs.GetReleaseBusNs()) >= to {
			continue
		}
		if stopped := strings.Contains(fs.GetFailure(), "the daemon stopped"); stopped &&
			bus.Time(fs.GetDeadlineBusNs()).Add(o.leftAtEnd(l)) >= l.finish {
			continue // what was triggered has a longer deadline, and may still wait, too
		}
		after := time.Duration(fs.GetReleaseBusNs()) - o.calm
		late, allowed := time.Duration(fs.GetFinishBusNs()-fs.GetDeadlineBusNs()), o.recovery.allowed(after)
		if fs.GetFailure() != "" || late > allowed {
			o.problem("job %d of %s, released %v after the last fault, ended %v after its deadline (%v allowed) or "+
				"failed (%s)", fs.GetJob(), fs.GetTask(), after, late, allowed, fs.GetFailure())
			return
		}
		if bus.Time(fs.GetReleaseBusNs()) >= plan.epoch {
			on[fs.GetTask()]++
		}
	}
	// A change waits while the host is behind, as long as that is not for more than it may be, and for those before it.
	since, before := o.calm, time.Duration(0)
	for _, p := range l.ledger.plans {
		if p.epoch.Elapsed() > since+o.recovery.waits(before) {
			o.problem("a timetable took effect only %v after the last fault, %v after the one before",
				p.epoch.Elapsed()-o.calm, p.epoch.Elapsed()-since)
			return
		}
		since, before = max(since, p.epoch.Elapsed()), p.hyperperiod()
	}
	books, _ := l.books()
	for _, t := range l.final.Tasks {
		if t.GetTask().GetLeastInterval() != nil {
			continue // it has no rate
		}
		name, expected, least := t.GetTask().GetName(), 0, 0
		paused := l.pauses(books, name)
		for _, r := range plan.releases(name, l.from(plan), to) {
			if r.at < max(from, plan.epoch) || r.at >= to {
				continue
			}
			if expected++; !l.mayLeaveOut(r, paused) {
				least++
			}
		}
		if on[name] < least || on[name] > expected || expected == 0 {
			o.problem("%s: %d of %d to %d jobs ended in the liveness phase", name, on[name], least, expected)
		}
	}
}

// outcomeOf finds the frame set of each member of a job of the bus, nil where there is none.
func (l *life) outcomeOf(e *executed, sets map[string]map[int64]*facetdv1.FrameSet) []*facetdv1.FrameSet {
	var out []*facetdv1.FrameSet
	for name := range strings.SplitSeq(e.job.Task, ",") {
		out = append(out, sets[name][e.job.Release.NS()])
	}
	return out
}
