package campaign

import (
	"sync"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/daemon/dispatch"
	"facetd.example/scheduler"
)

// planned is a timetable, since when it is active, and when that was told; after is how many frame sets had ended then.
// zero is when its first cycle began, or would have: the releases of tasks that go on stay where they were.
type planned struct {
	plan        *facetdv1.Plan
	active      *scheduler.Plan // the same; nil where there is none
	revision    uint64          // of the tasks
	epoch, zero bus.Time
	at          time.Time
	after       int
}

// hyperperiod is of the timetable; 0 where there is none.
func (p *planned) hyperperiod() time.Duration {
	return time.Duration(p.plan.GetTimetable().GetHyperperiodNs())
}

// ledger is an observer that keeps everything that the dispatcher says.
type ledger struct {
	mu         sync.Mutex
	sets       []*facetdv1.FrameSet // of tasks and on-demand jobs, as they ended
	plans      []planned
	violations []rules.Violation
	behind     []dispatch.Behind
	// snapshot is the dispatcher's.
	snapshot func() dispatch.Snapshot
}

var _ dispatch.Observer = (*ledger)(nil)

func (l *ledger) SegmentRun(string, *bus.Result, dispatch.WordCount) {}

func (l *ledger) JobEnded(fs *facetdv1.FrameSet) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.sets = append(l.sets, fs)
}

func (l *ledger) PlanChanged(plan *facetdv1.Plan, at, epoch bus.Time) {
	now := l.snapshot()
	l.mu.Lock()
	defer l.mu.Unlock()
	l.plans = append(l.plans, planned{plan, now.Active, now.Revision, at, epoch, time.Now(), len(l.sets)})
}

// lastChange is since when the timetable is active that is, and its hyperperiod.
func (l *ledger) lastChange() (bus.Time, time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.plans) == 0 {
		return 0, 0
	}
	last := &l.plans[len(l.plans)-1]
	return last.epoch, last.hyperperiod()
}

func (l *ledger) Violated(v rules.Violation) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.violations = append(l.violations, v)
}

func (l *ledger) Behind(b dispatch.Behind) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.behind = append(l.behind, b)
}

// table is the index of the timetable that is active.
func (l *ledger) table() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.plans) - 1
}

// ended is how many frame sets have ended so far.
func (l *ledger) ended() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.sets)
}

// observers notifies several observers, in order.
type observers []dispatch.Observer

func (o observers) SegmentRun(task string, r *bus.Result, words dispatch.WordCount) {
	for _, each := range o {
		each.SegmentRun(task, r, words)
	}
}

func (o observers) JobEnded(fs *facetdv1.FrameSet) {
	for _, each := range o {
		each.JobEnded(fs)
	}
}

func (o observers) PlanChanged(plan *facetdv1.Plan, at, epoch bus.Time) {
	for _, each := range o {
		each.PlanChanged(plan, at, epoch)
	}
}

func (o observers) Violated(v rules.Violation) {
	for _, each := range o {
		each.Violated(v)
	}
}
