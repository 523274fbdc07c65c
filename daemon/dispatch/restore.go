package dispatch

import (
	"context"
	"slices"
	"time"

	"go.uber.org/zap"

	"facetd.example/bus"
)

// patience is how many jobs of a task in a row may fail because their chips could not be restored. Then they are
// restored before the next one, whatever that makes late.
const patience = 2

// restoration brings the registers of single chips back while jobs of others are open.
type restoration struct {
	of      *table
	chips   []int // that are in doubt, ascending
	touches []int // that its words reach, ascending
	run     *bus.Program
	time    time.Duration
	all     bool // every chip is restored, whether in doubt or not
	// prepared says that the bus is ready for it, and waits until when it has a claim to stay so; 0 once it was run.
	prepared bool
	waits    bus.Time
}

// A bus far away is made ready for several restorations, and not for another one in each gap: the gaps of a timetable
// differ, and so do the chips that can be restored in them; to make the bus ready takes time, in which the gap passes
// and a host that is behind falls back further. One that is ready waits for a gap that it fits in for so long, or two
// hyperperiods, before there is another one in its place.
const (
	mostReady = 4
	readyWait = 100 * time.Millisecond
)

// restorationAt is what is to be run from bus time begin on for chips in doubt; nil where that has to wait. It is
// what fits before the next segment and touches no open job. Before a job that needs it, it may also delay others,
// where all of them end by their deadlines all the same, or where it has waited for too long.
func (r *runner) restorationAt(begin bus.Time) *restoration {
	if len(r.regs.doubt) == 0 {
		return nil
	}
	next, at := r.tab.upcoming()
	free := r.notAfter(at).Sub(begin)
	if p := r.readyRestoration(nil, func(p *restoration) bool { return p.time <= free }); p != nil {
		return p
	}
	if chips := r.restorable(free); len(chips) > 0 {
		if p := r.restorationOf(chips, begin); p != nil {
			return p
		}
	}
	if next.Segment > 0 || r.remote() && begin > at { // a bus far away could not be given it before that
		return nil
	}
	var chips []int
	for _, c := range common(r.regs.doubt, r.tab.plan.Tasks[next.Task].Task.Touches) {
		chips = merged(chips, r.tab.restorer.Together(c, r.regs.doubt))
	}
	if chips == nil {
		return nil
	}
	p := r.readyRestoration(chips, func(*restoration) bool { return true })
	if p == nil && !r.tab.clashes(r.tab.restorer.Touches(chips)) {
		p = r.restorationOf(chips, begin)
	}
	if p == nil {
		return nil
	}
	end := begin.Add(p.time)
	if r.tab.absorbs(end, append(slices.Clip(r.handed), end)) || r.tab.refused[next.Task] >= patience &&
		r.tab.patient() {
		return p
	}
	return nil
}

// readyRestoration is that for which a bus far away is ready, and which suits, of chips in doubt, the needed ones among
// them, and none of an open job: the one of most. nil where there is none.
func (r *runner) readyRestoration(needed []int, suits func(*restoration) bool) (best *restoration) {
	if !r.remote() {
		return nil
	}
	most := 0
	for _, p := range r.restoring {
		n := len(common(r.regs.doubt, p.chips))
		if p.of == r.tab && n > most && len(common(needed, p.chips)) == len(needed) && suits(p) &&
			!r.tab.clashes(p.touches) {
			best, most = p, n
		}
	}
	return best
}

// restorationBefore is what is to be run from bus time begin on for chips in doubt before a segment that was recalled
// is handed over again: what fits before it, and touches no job that has begun. nil where that has to wait.
func (r *runner) restorationBefore(f *flight, begin bus.Time) *restoration {
	if len(r.regs.doubt) == 0 {
		return nil
	}
	free := f.start.Sub(begin)
	if p := r.readyRestoration(nil, func(p *restoration) bool {
		return p.time <= free && !r.begunOn(p.touches)
	}); p != nil {
		return p
	}
	chips := r.restorable(free)
	if len(chips) == 0 || r.begunOn(r.tab.restorer.Touches(chips)) {
		return nil
	}
	return r.restorationOf(chips, begin)
}

// begunOn reports whether a job of the table has begun on one of the chips, or is on its way to the bus.
func (r *runner) begunOn(chips []int) bool {
	return slices.ContainsFunc(r.jobs, func(job *openJob) bool {
		begun := job.ran > 0 || slices.ContainsFunc(r.flights, func(f *flight) bool { return f.job == job })
		return begun && overlap(job.job.Chips, chips)
	})
}

// restorable are chips in doubt that can be restored in a length of bus time beside the jobs that are open, those that
// are needed soonest before others.
func (r *runner) restorable(free time.Duration) []int {
	var chips []int
	for _, c := range r.tab.soonest(r.regs.doubt) {
		with := merged(chips, r.tab.restorer.Together(c, r.regs.doubt))
		if r.tab.restorer.Time(with) <= free && !r.tab.clashes(r.tab.restorer.Touches(with)) {
			chips = with
		}
	}
	return chips
}

// restorationOf is the restoration of chips, to be run from bus time begin on. The last ones made are kept: a bus far
// away has them already when they are tried again. nil where others have to be tried for longer.
func (r *runner) restorationOf(chips []int, begin bus.Time) *restoration {
	r.restoring = slices.DeleteFunc(r.restoring, func(p *restoration) bool { return p.of != r.tab })
	for _, p := range r.restoring {
		if slices.Equal(p.chips, chips) {
			return p
		}
	}
	if r.remote() && len(r.restoring) == mostReady && r.needless(begin) < 0 {
		return nil
	}
	ops := r.tab.restorer.Program(chips)
	p := &restoration{of: r.tab, chips: chips, touches: r.tab.restorer.Touches(chips),
		run: &bus.Program{Ops: ops}, time: bus.CostOf(r.cfg.Array, ops).Total()}
	return p
}

// needless is the index of the first of those for which the bus is ready that another one may take the place of at bus
// time begin, as it has waited for long enough or none of its chips is in doubt any more; -1 where there is none.
func (r *runner) needless(begin bus.Time) int {
	return slices.IndexFunc(r.restoring, func(p *restoration) bool {
		return p.waits <= begin || len(common(r.regs.doubt, p.chips)) == 0
	})
}

// restoreChips hands a restoration over, to run from bus time begin on. What follows relies on it: should it fail, that
// is recalled. Errors: a bus that gives no results any more, or fails again and again.
func (r *runner) restoreChips(hard context.Context, p *restoration, begin bus.Time) error {
	if !p.prepared {
		if len(r.restoring) == mostReady {
			i := max(r.needless(begin), 0)
			r.restoring = slices.Delete(r.restoring, i, i+1)
		}
		err := r.prepareBeside(hard, p.run)
		if cause := r.lossUntilNow(); cause != nil && err == nil { // by preparing the bus was found again
			err = &bus.LostError{Cause: cause}
		}
		if err != nil {
			return r.notInitialized(hard, err)
		}
		r.restoring = append(r.restoring, p)
		p.prepared, p.waits = true, begin.Add(max(2*r.tab.plan.Hyperperiod, readyWait))
		if r.remote() {
			return nil // it may have taken a while, so that something else may come first now
		}
	}
	r.onDemands++
	job := &bus.Job{Number: r.onDemands, Release: begin, Deadline: begin.Add(p.time), Chips: p.touches, Segments: 1}
	f := &flight{segment: bus.Segment{Job: job, Program: p.run}, start: begin, end: job.Deadline}
	before, asked := r.regs.held, r.asked
	f.ended = func(res *bus.Result) error {
		r.report.initialized(job, res.End, res.Err)
		if res.Err != nil {
			if res.Refused() && !r.remote() {
				r.regs.set(before, r.tab.assumes) // nothing else has written since
			} else {
				r.regs.lose(p.touches, r.tab.assumes)
			}
			if p.all {
				r.resync, r.asked = true, asked
			}
			return r.notInitialized(hard, res.Err)
		}
		p.waits = 0
		r.log.Info("chips restored", zap.Strings("chips", r.cfg.Array.ChipNames(p.chips)),
			zap.Int64("bus_ns", res.End.NS()))
		return nil
	}
	if p.all {
		r.resynced()
	}
	r.regs.wrote(p.run.Ops, r.tab.assumes)
	if err := r.submit(f); err != nil {
		return f.ended(&bus.Result{Start: begin, End: begin, Err: err})
	}
	if r.remote() {
		return nil
	}
	return r.nextUnlessStopped(hard)
}

// common returns the members of two ascending lists; nil is none.
func common(a, b []int) []int {
	var out []int
	for _, c := range a {
		if _, in := slices.BinarySearch(b, c); in {
			out = append(out, c)
		}
	}
	return out
}

// merged returns the members of either of two ascending lists, ascending.
func merged(a, b []int) []int {
	out := slices.Concat(a, b)
	slices.Sort(out)
	return slices.Compact(out)
}
