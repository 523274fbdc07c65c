package campaign

import (
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

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

// judgeReleases: every job that a timetable released has ended, at the next timetable at the latest, and no other; none
// was released while its task was paused.
func (o *outcome) judgeReleases(l *life, last bool) {
	books, _ := l.books() // they are judged themselves
	for i := range l.ledger.plans {
		p := &l.ledger.plans[i]
		sets, until, final := l.ledger.sets[p.after:], l.finish+l.ahead(), true
		if i+1 < len(l.ledger.plans) {
			next := &l.ledger.plans[i+1]
			sets, until, final = l.ledger.sets[p.after:next.after], l.initialized(next.epoch), false
		}
		for _, t := range p.plan.GetTasks() {
			if t.GetLeastInterval() != nil {
				continue // its jobs are judged by its triggers
			}
			paused := l.pauses(books, t.GetName())
			expected := p.releases(t.GetName(), l.from(p), until)
			missing, ok := o.match(l, t.GetName(), sets, expected, paused)
			if !ok {
				o.problem("it is of the timetable from %v to %v", p.epoch, until)
				return
			}
			if final && !last {
				continue // the process ended while they waited
			}
			// One that was released at this very instant may have failed in no time.
			missing = slices.DeleteFunc(missing, func(r release) bool {
				return r.at == until || l.mayLeaveOut(r, paused)
			})
			if at, stopped := l.stoppedAt(p, until); stopped { // what comes after it is not released
				missing = slices.DeleteFunc(missing, func(r release) bool { return r.at >= at })
			}
			if final {
				left := o.leftAtEnd(l)
				missing = slices.DeleteFunc(missing, func(r release) bool { return r.deadline.Add(left) > l.finish })
			}
			if len(missing) > 0 {
				o.problem("%d jobs of %s released from %v on have not ended, of %d before %v", len(missing),
					t.GetName(), missing[0].at, len(expected), until)
				return
			}
		}
	}
}

// judgeLead: nothing of a timetable is handed over to a bus far away earlier than it must be: whether a job is run, and
// with which parameters, is decided then.
func (o *outcome) judgeLead(l *life) {
	if l.s.remote == nil {
		return
	}
	for _, e := range l.driven.log {
		if lead := e.start - e.given; e.job.Task != "" && lead > l.ahead() {
			o.problem("a segment of job %d of %s was handed over %v before its start at %v", e.job.Number, e.job.Task,
				lead.Elapsed(), e.start)
			return
		}
	}
}

// match finds for each frame set of a task the release that it is of, one after another, and returns those that are
// left. Only where the task is paused are some left out before.
func (o *outcome) match(l *life, task string, sets []*facetdv1.FrameSet, expected []release,
	paused []span) ([]release, bool) {
	left := false
	for _, fs := range sets {
		if fs.GetTask() != task {
			continue
		}
		at := bus.Time(fs.GetReleaseBusNs())
		for len(expected) > 0 && expected[0].at < at && l.mayLeaveOut(expected[0], paused) {
			expected, left = expected[1:], true
			o.tally.paths[pathPaused]++
		}
		if len(expected) == 0 || expected[0].at != at {
			o.problem("job %d of %s says that it was released at %v, which is not one of %v; it was paused over %v",
				fs.GetJob(), task, at, expected[:min(1, len(expected))], paused)
			return nil, false
		}
		if l.mustLeaveOut(expected[0], paused) {
			o.problem("job %d of %s was released at %v although the task was paused over %v", fs.GetJob(), task, at,
				paused)
			return nil, false
		}
		if expected = expected[1:]; left {
			left = false
			o.tally.paths[pathResumed]++
		}
	}
	return expected, true
}

// mayLeaveOut reports whether a release may be left out as its task is paused.
func (l *life) mayLeaveOut(r release, pauses []span) bool {
	from, to := l.decided(r)
	may, _ := leavesOut(pauses, from, to)
	return may
}

// mustLeaveOut reports whether it has to be.
func (l *life) mustLeaveOut(r release, pauses []span) bool {
	from, to := l.decided(r)
	_, must := leavesOut(pauses, from, to)
	return must
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
