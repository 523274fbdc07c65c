package campaign

import (
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// judgeGrid: the releases of a task that is not changed itself are whole periods apart, through changes of others,
// pauses and safe stops, but for what its frame sets tell. It is worked out from what was handed out and from the
// periods alone, and not from where the dispatcher says that its timetables begin.
func (o *outcome) judgeGrid(l *life) {
	type last struct {
		set   *facetdv1.FrameSet
		cycle cycle
		plan  int
	}
	before := map[string]last{}
	plan := -1
	for i, fs := range l.ledger.sets {
		for plan+1 < len(l.ledger.plans) && l.ledger.plans[plan+1].after <= i {
			plan++
		}
		if plan < 0 || fs.GetTask() == "" {
			continue
		}
		now := last{fs, l.ledger.plans[plan].cycleOf(fs.GetTask()), plan}
		old, any := before[fs.GetTask()]
		before[fs.GetTask()] = now
		if now.cycle.jobs == 0 || !any || old.set.GetTaskGeneration() != fs.GetTaskGeneration() {
			continue // it is sporadic, or another task now
		}
		if fs.ReleaseShiftNs != nil {
			o.tally.paths[pathMoved]++
			if !samePeriod(l.ledger.plans[old.plan:now.plan+1], fs.GetTask()) {
				continue // what was due is then of another grid
			}
		}
		apart := time.Duration(fs.GetReleaseBusNs() - old.set.GetReleaseBusNs() - fs.GetReleaseShiftNs())
		if !now.cycle.whole(apart, l.s.array.Grain()) {
			o.problem("%s: job %d was released %v after job %d, of a period of %v, and tells a shift of %v",
				fs.GetTask(), fs.GetJob(), apart, old.set.GetJob(), now.cycle.period(),
				time.Duration(fs.GetReleaseShiftNs()))
			return
		}
		if old.plan != now.plan {
			o.tally.paths[pathOnGrid]++
		}
	}
}

// samePeriod reports whether a task has one period under all of the timetables.
func samePeriod(plans []planned, task string) bool {
	first := plans[0].cycleOf(task).period()
	return !slices.ContainsFunc(plans, func(p planned) bool { return p.cycleOf(task).period() != first })
}

// cycle is how many jobs of a task a timetable has in how long.
type cycle struct {
	jobs int64
	time time.Duration
}

// cycleOf is that of a task with a rate; of others it has no jobs.
func (p *planned) cycleOf(task string) cycle {
	for _, t := range p.plan.GetPredictions() {
		if t.GetTask() == task && t.GetLeastIntervalNs() == 0 {
			h := time.Duration(p.plan.GetTimetable().GetHyperperiodNs())
			return cycle{int64(t.GetPlannedRateHz()*h.Seconds() + 0.5), h}
		}
	}
	return cycle{}
}

func (c cycle) period() time.Duration {
	if c.jobs == 0 {
		return 0
	}
	return c.time / time.Duration(c.jobs)
}

// whole reports whether a time is a whole number of periods, each release being on the grain of the bus.
func (c cycle) whole(d, grain time.Duration) bool {
	off := (int64(d)*c.jobs%int64(c.time) + int64(c.time)) % int64(c.time)
	return min(off, int64(c.time)-off) <= 2*int64(grain)*c.jobs
}
