// Package sampler takes what happens on the bus into histories, a value of each quantity in a second of the host's
// monotonic clock, and serves them. What it keeps ends with the daemon.
package sampler

import (
	"context"
	"sync"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/history"
)

// Config holds what the service depends on. Snapshot is what the bus does; it may be called from any goroutine.
type Config struct {
	Snapshot func() dispatch.Snapshot
}

// Service takes samples, and serves them. Its methods may be called from any goroutine; those of dispatch.Observer are
// for the one that owns the bus, and cost it a lock and a few additions.
type Service struct {
	facetdv1.UnimplementedHistoryServiceServer
	cfg   Config
	begun time.Time

	// mu is held for as long as a few additions take, since the bus waits for it.
	mu sync.Mutex
	since

	// keeping is held while a sample is added and while histories are read.
	keeping sync.Mutex
	store   *history.Store
	before  bus.Time // of the last sample
}

// since is what happened since the last sample: bus time by phase, jobs by task.
type since struct {
	busy bus.Phases
	jobs map[string]*jobs
}

// take returns it, and begins anew.
func (s *Service) take() since {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := s.since
	s.since = since{jobs: map[string]*jobs{}}
	return out
}

// jobs are those of a task that ended since the last sample.
type jobs struct {
	missed      uint64
	slack, skew extremes
}

// extremes are those of the values since the last sample: so that one job is seen among many, both ends go on.
type extremes struct {
	least, most float64
	any         bool
}

func (e *extremes) add(v float64) {
	if !e.any {
		*e = extremes{v, v, true}
		return
	}
	e.least, e.most = min(e.least, v), max(e.most, v)
}

// values are both, or none.
func (e *extremes) values() []float64 {
	if !e.any {
		return nil
	}
	return []float64{e.least, e.most}
}

var _ dispatch.LaterObserver = (*Service)(nil)

// New makes the service. It takes no samples until Run.
func New(cfg Config) *Service {
	return &Service{cfg: cfg, begun: time.Now(), store: history.New(), since: since{jobs: map[string]*jobs{}}}
}

// SegmentRun adds the bus time of a segment.
func (s *Service) SegmentRun(_ string, r *bus.Result, _ dispatch.WordCount) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.busy.Add(r.Busy)
}

// Violated does nothing: violations are in the journal.
func (s *Service) Violated(rules.Violation) {}

// PlanChanged does nothing: a task that is gone has no more jobs.
func (s *Service) PlanChanged(*facetdv1.Plan, bus.Time, bus.Time) {}

// JobEndedLater is JobEnded: no pixels are looked at.
func (s *Service) JobEndedLater(fs *facetdv1.FrameSet, _ func()) { s.JobEnded(fs) }

// JobEnded adds a job of a task.
func (s *Service) JobEnded(fs *facetdv1.FrameSet) {
	if fs.GetTask() == "" { // on demand
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	j := s.jobs[fs.GetTask()]
	if j == nil {
		j = &jobs{}
		s.jobs[fs.GetTask()] = j
	}
	if fs.GetLate() || fs.GetFailure() != "" {
		j.missed++
	}
	if fs.GetFailure() == "" {
		j.slack.add(float64(fs.GetDeadlineBusNs() - fs.GetFinishBusNs()))
		j.skew.add(float64(fs.GetSkewNs()))
	}
}

// Run takes a sample every second until ctx ends.
func (s *Service) Run(ctx context.Context) {
	// Bus time need not begin with the daemon: the first sample is of what passes from here on.
	at := s.cfg.Snapshot().Now
	s.keeping.Lock()
	s.before = at
	s.keeping.Unlock()
	s.take()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			s.sample()
		case <-ctx.Done():
			return
		}
	}
}

// sample takes one. Ticks that come a little early or late keep to their seconds.
func (s *Service) sample() {
	snap, got := s.cfg.Snapshot(), s.take()
	s.keeping.Lock()
	defer s.keeping.Unlock()
	at := history.Second(time.Since(s.begun).Round(time.Second) / time.Second)
	add := func(q facetdv1.HistoryQuantity, task string, v float64) {
		s.store.Add(at, history.Key{Quantity: q, Task: task}, v)
	}
	add(facetdv1.HistoryQuantity_HISTORY_QUANTITY_TIME_UNCERTAINTY, "", float64(snap.Uncertainty))
	// A replay may go back, or stand still.
	if passed := snap.Now.Sub(s.before); passed > 0 {
		for phase := 1; phase < bus.NumPhases; phase++ {
			s.store.Add(at, history.Key{Quantity: facetdv1.HistoryQuantity_HISTORY_QUANTITY_UTILIZATION,
				Phase: facetdv1.Phase(phase)}, min(1, float64(got.busy[phase])/float64(passed)))
		}
	}
	s.before = snap.Now
	for _, t := range snap.Tasks {
		if name := t.GetTask().GetName(); !t.GetStatus().GetPaused() {
			add(facetdv1.HistoryQuantity_HISTORY_QUANTITY_ACHIEVED_RATE, name, t.GetStatus().GetAchievedRateHz())
			if got.jobs[name] == nil {
				add(facetdv1.HistoryQuantity_HISTORY_QUANTITY_JOBS_MISSED, name, 0)
			}
		}
	}
	for name, j := range got.jobs {
		add(facetdv1.HistoryQuantity_HISTORY_QUANTITY_JOBS_MISSED, name, float64(j.missed))
		for _, v := range j.slack.values() {
			add(facetdv1.HistoryQuantity_HISTORY_QUANTITY_SLACK, name, v)
		}
		for _, v := range j.skew.values() {
			add(facetdv1.HistoryQuantity_HISTORY_QUANTITY_SKEW, name, v)
		}
	}
}
