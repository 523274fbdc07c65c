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

// release is one job that a timetable releases.
type release struct{ at, deadline bus.Time }

// releases are those of a task under a timetable from one bus time to another, in order.
func (p *planned) releases(task string, from, before bus.Time) []release {
	table := p.plan.GetTimetable()
	var cycle []release
	for _, s := range table.GetSegments() {
		if s.GetIndex() == 0 && slices.Contains(s.GetTasks(), task) {
			cycle = append(cycle, release{bus.Time(s.GetReleaseNs()), bus.Time(s.GetDeadlineNs())})
		}
	}
	slices.SortFunc(cycle, func(a, b release) int { return int(a.at - b.at) })
	var out []release
	for start := p.zero; len(cycle) > 0; start = start.Add(time.Duration(table.GetHyperperiodNs())) {
		for _, r := range cycle {
			if start+r.at > before {
				return out
			}
			if start+r.at >= from {
				out = append(out, release{start + r.at, start + r.deadline})
			}
		}
	}
	return out
}

// judgeReleases: every job that a timetable released has ended, at the next timetable at the latest, and no other.
func (o *outcome) judgeReleases(l *life, last bool) {
	for i := range l.ledger.plans {
		p := &l.ledger.plans[i]
		sets, until, final := l.ledger.sets[p.after:], l.finish+l.ahead(), true
		if i+1 < len(l.ledger.plans) {
			next := &l.ledger.plans[i+1]
			sets, until, final = l.ledger.sets[p.after:next.after], l.initialized(next.epoch), false
		}
		for _, t := range p.plan.GetTasks() {
			expected := p.releases(t.GetName(), l.from(p), until)
			n := 0
			for _, fs := range sets {
				if fs.GetTask() != t.GetName() {
					continue
				}
				if n == len(expected) || bus.Time(fs.GetReleaseBusNs()) != expected[n].at {
					o.problem("job %d of %s says that it was released at %d, which is not release %d of %d since %v "+
						"before %v",
						fs.GetJob(), t.GetName(), fs.GetReleaseBusNs(), n, len(expected), p.epoch, until)
					return
				}
				n++
			}
			// One that was released at this very instant may have failed in no time.
			missing := slices.DeleteFunc(expected[n:], func(r release) bool { return r.at == until })
			if final && !last {
				continue // the process ended while they waited
			}
			if at, paused := l.pausedAt(p, until); paused { // what comes after it is not released
				missing = slices.DeleteFunc(missing, func(r release) bool { return r.at >= at })
			}
			if final {
				left := o.leftAtEnd(l)
				missing = slices.DeleteFunc(missing, func(r release) bool { return r.deadline.Add(left) > l.finish })
			}
			if len(missing) > 0 {
				o.problem("%d jobs of %s released from %v on have not ended, of %d before %v", len(missing),
					t.GetName(),
					missing[0].at, len(expected), until)
				return
			}
		}
	}
}

// ahead is how far beyond now jobs have begun that are handed over ahead.
func (l *life) ahead() bus.Time {
	if l.s.remote == nil {
		return 0
	}
	return bus.Time(2*l.s.remote.Limits.LeastLead + 40*time.Millisecond)
}

// from is from when on what a timetable releases is its own: where tasks stay on their grid they are released while it
// is initialized, too.
func (l *life) from(p *planned) bus.Time {
	if p.zero == p.epoch {
		return p.epoch
	}
	return l.initialized(p.epoch)
}

// initialized is when the initialization began after which a timetable did.
func (l *life) initialized(epoch bus.Time) bus.Time {
	for _, e := range slices.Backward(l.driven.log) {
		if e.res.End > epoch || e.start >= epoch {
			continue
		}
		if e.err == nil && e.job.Task == "" && len(e.job.Chips) == len(l.s.array.Chips) &&
			(e.res.End == epoch || l.s.remote != nil) { // a table of a remote executor begins a little later
			return e.start
		}
		break
	}
	return epoch
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
	// A change waits while the host is behind, as long as that is not for more than it may be.
	if plan.epoch.Elapsed() > o.calm+o.recovery.watched() {
		o.problem("a timetable took effect only %v after the last fault", plan.epoch.Elapsed()-o.calm)
		return
	}
	for _, t := range l.final.Tasks {
		name, expected := t.GetTask().GetName(), 0
		for _, r := range plan.releases(name, l.from(plan), to) {
			if r.at >= max(from, plan.epoch) && r.at < to {
				expected++
			}
		}
		if on[name] != expected || expected == 0 {
			o.problem("%s: %d of %d jobs ended in the liveness phase", name, on[name], expected)
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
