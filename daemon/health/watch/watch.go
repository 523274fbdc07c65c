// Package watch looks at frames as they come and serves what package health makes of them: over the API, to the
// journal, and to metrics. It looks at about one frame of each chip in a second of bus time, and at no pixel of the
// others; at fewer where pixels that nobody wants have to be worked out for it. Bus time may go many times as fast as
// that of the host: looks have a share of the host's time, and those that it has no room for are skipped, and counted.
package watch

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
	"facetd.example/daemon/health"
)

// Config holds what the service depends on. Its functions may be called from any goroutine.
type Config struct {
	Array *chipmodel.Array
	// Snapshot is what the bus does.
	Snapshot func() dispatch.Snapshot
	// HostTime maps bus time to host time.
	HostTime func(at bus.Time) (time.Time, time.Duration)
	// Patterns are the fixed patterns that the active correction maps know for a frame of a task.
	Patterns func(task string, f *facetdv1.Frame) health.Patterns
	// Maps are the active correction maps as they are now, MaxAge how old they may be.
	Maps   func() []*facetdv1.CorrectionMap
	MaxAge time.Duration
	// Faults is how many faults are injected, and how many chips the last probe measured not to answer.
	Faults func() (injected, silent int)
	// Device is what is known of the device that drives the array; nil where none does.
	Device func() *health.Device
	// Recordings are the names of those that run.
	Recordings func() []string
	// Events is told what changes.
	Events events.Sink
	// Patient has chips looked at less often where pixels have to be worked out for that and nobody calls.
	Patient bool
	// Clock is the host's; nil means time.Now.
	Clock func() time.Time
}

// Service watches over an array. Its methods may be called from any goroutine; those of dispatch.Observer are for
// the one that owns the bus.
type Service struct {
	cfg Config

	// reporting is held while a report is made, from what it is made of to the journal: so they are told in order.
	reporting sync.Mutex

	mu      sync.Mutex
	monitor *health.Monitor
	// waiting are frames to look at, at most one of each chip: what is due meanwhile is counted as skipped.
	waiting     []sight
	put, looked uint64        // counts of frames that waited
	wake        chan struct{} // of the worker
	hurried     chan struct{} // has one while somebody waits for the worker
	progress    chan struct{} // closed when looked has grown
	ended       bool          // nobody looks any more
	down        chan struct{} // closed then
	notes       notes

	called atomic.Int64 // when a call began or ended last, in nanoseconds since 1970
	calls  atomic.Int64 // that are not over

	samplers []health.Sampler // of the worker
	looks    allowance        // of the worker
	owes     time.Duration    // by the worker, after a look
}

// sight is a frame that is to be looked at.
type sight struct {
	task  string
	job   uint64
	chip  int
	frame *facetdv1.Frame
	look  func() // gets its pixels; nil where they are there
}

var _ dispatch.LaterObserver = (*Service)(nil)

// New makes the service. It looks at nothing until Run.
func New(cfg Config) *Service {
	if cfg.Clock == nil {
		cfg.Clock = time.Now
	}
	return &Service{cfg: cfg, monitor: health.New(cfg.Array), samplers: make([]health.Sampler, len(cfg.Array.Chips)),
		wake: make(chan struct{}, 1), hurried: make(chan struct{}, 1), progress: make(chan struct{}),
		down: make(chan struct{}), notes: newNotes()}
}

// SegmentRun does nothing.
func (s *Service) SegmentRun(string, *bus.Result, dispatch.WordCount) {}

// Violated does nothing: violations have an alarm of their own.
func (s *Service) Violated(rules.Violation) {}

// PlanChanged takes the tasks of a timetable.
func (s *Service) PlanChanged(plan *facetdv1.Plan, at, _ bus.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	// What waits may be of another time, as where a recording is played over and over. What is due of the chips is
	// asked for anew.
	for _, next := range s.waiting {
		s.monitor.Skip(next.chip)
	}
	if n := len(s.waiting); n > 0 {
		s.waiting = slices.Delete(s.waiting, 0, n)
		s.done(n)
	}
	s.monitor.Plan(plan.GetTasks(), at.NS())
}

// done notes that so many frames wait no more. The caller holds mu.
func (s *Service) done(n int) {
	s.looked += uint64(n)
	close(s.progress)
	s.progress = make(chan struct{})
}

// JobEnded notes the job, and keeps those of its frames that are to be looked at.
func (s *Service) JobEnded(fs *facetdv1.FrameSet) { s.JobEndedLater(fs, nil) }

// JobEndedLater is JobEnded for frames whose pixels look gets, if it is not nil: it is called before one is looked at.
func (s *Service) JobEndedLater(fs *facetdv1.FrameSet, look func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.monitor.Rest(s.cfg.Patient && look != nil && !s.attended())
	wanted := s.monitor.JobEnded(fs)
	if s.ended {
		return
	}
	for _, i := range wanted {
		f := fs.GetFrames()[i]
		s.waiting = append(s.waiting, sight{fs.GetTask(), fs.GetJob(), s.cfg.Array.Chip(f.GetChip()), f, look})
		s.put++
	}
	if len(s.waiting) > 0 {
		select {
		case s.wake <- struct{}{}:
		default:
		}
	}
}

// Behind takes that the host fell behind the timetable, or has caught up.
func (s *Service) Behind(b dispatch.Behind) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.monitor.Behind(b.At.NS(), b.By.Seconds(), b.CaughtUp)
}

// Paused takes that a task was paused or resumed. It may be called from any goroutine.
func (s *Service) Paused(p dispatch.Pausing) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.monitor.Paused(p.Task)
}

// attention is for how long after a call somebody may be waiting for what becomes of it (our choice, no source).
const attention = 10 * time.Second

// Called takes that somebody calls the daemon, whatever for, until what it returns is called: who follows a stream may
// wait for what comes in it as long as it is open. Both may be called from any goroutine.
func (s *Service) Called() (over func()) {
	s.calls.Add(1)
	return func() {
		s.called.Store(s.cfg.Clock().UnixNano())
		s.calls.Add(-1)
	}
}

// attended reports whether somebody may be waiting for what becomes of a call.
func (s *Service) attended() bool {
	return s.calls.Load() > 0 || s.cfg.Clock().UnixNano()-s.called.Load() <= int64(attention)
}

// notePeriod is how often changes are looked for that no frame brings.
const notePeriod = 500 * time.Millisecond

// Run looks at frames until ctx ends.
func (s *Service) Run(ctx context.Context) {
	defer s.end()
	tick := time.NewTicker(notePeriod)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			s.report()
		case <-s.wake:
			for s.look(ctx) {
				s.rest(ctx, tick.C)
			}
		}
	}
}

const (
	// share is the part of the host's time that looks may take, and atOnce how much of it they may have saved up: at
	// real-time pace dozens of chips are looked at with less (our choice, no source).
	share  = 0.25
	atOnce = 2 * time.Second
)

// allowance is the time that looks may take.
type allowance struct {
	left time.Duration
	at   time.Time // when that was
}

// spend takes a look from the allowance, and returns how long there is none for another one.
func (a *allowance) spend(from, to time.Time) time.Duration {
	if a.at.IsZero() {
		a.left, a.at = atOnce, from
	}
	a.left = min(a.left+time.Duration(share*float64(to.Sub(a.at))), atOnce) - to.Sub(from)
	a.at = to
	return max(0, time.Duration(float64(-a.left)/share))
}

// rest waits while looks have taken more than their share, unless somebody waits for them.
func (s *Service) rest(ctx context.Context, tick <-chan time.Time) {
	if s.owes <= 0 {
		return
	}
	enough := time.NewTimer(s.owes)
	defer enough.Stop()
	for {
		select {
		case <-tick: // what no frame brings is told meanwhile
			s.report()
			continue
		case <-enough.C:
		case <-s.hurried:
		case <-ctx.Done():
		}
		return
	}
}

func (s *Service) end() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.ended, s.waiting = true, nil
	close(s.progress)
	close(s.down)
}

// look looks at the frame that has waited for longest, and says whether there was one.
func (s *Service) look(ctx context.Context) bool {
	s.mu.Lock()
	if len(s.waiting) == 0 || ctx.Err() != nil {
		s.mu.Unlock()
		return false
	}
	next := s.waiting[0]
	s.waiting = slices.Delete(s.waiting, 0, 1)
	expected := s.monitor.Expected(next.task, next.chip, next.frame.GetView())
	s.mu.Unlock()

	from := time.Now()
	var sample health.Sample
	if expected != nil {
		if next.look != nil {
			next.look()
		}
		sample = s.samplers[next.chip].Measure(next.task, next.job, next.frame, expected,
			s.cfg.Patterns(next.task, next.frame))
	}
	s.owes = s.looks.spend(from, time.Now())
	s.mu.Lock()
	changed := s.monitor.Take(next.chip, sample)
	s.done(1)
	s.mu.Unlock()
	if changed {
		s.report()
	}
	return true
}

// caughtUp returns once every frame that waited when it was called was looked at, or nobody looks any more.
func (s *Service) caughtUp(ctx context.Context) {
	s.mu.Lock()
	until := s.put
	for s.looked < until && !s.ended {
		progress := s.progress
		s.mu.Unlock()
		select {
		case s.hurried <- struct{}{}:
		default:
		}
		select {
		case <-progress:
		case <-ctx.Done():
			return
		}
		s.mu.Lock()
	}
	s.mu.Unlock()
}

// Health is the health as far as frames have ended.
func (s *Service) Health(ctx context.Context) *facetdv1.Health {
	defer s.Called()()
	s.caughtUp(ctx)
	return s.report()
}

// report makes the report as it is now, and notes what has changed.
func (s *Service) report() *facetdv1.Health {
	s.reporting.Lock()
	defer s.reporting.Unlock()
	snap := s.cfg.Snapshot()
	c := health.Conditions{Now: snap.Now.NS(), State: snap.State, Fault: snap.Fault, Tasks: snap.Tasks,
		Maps: s.cfg.Maps(), MaxAge: s.cfg.MaxAge}
	if s.cfg.Device != nil {
		c.Device = s.cfg.Device()
	}
	injected, silent := s.cfg.Faults()
	recordings := s.cfg.Recordings()
	s.mu.Lock()
	defer s.mu.Unlock()
	h := s.monitor.Report(c)
	h.WorstLagNs, h.HostBehind = int64(snap.Lag.Worst), snap.Lag.Times
	h.InjectedFaults, h.SilentChips, h.Recordings = uint32(injected), uint32(silent), recordings
	s.mark(h)
	if !s.ended {
		s.note(h)
	}
	return h
}

// Stats are counts for metrics.
type Stats struct {
	// Chips counts chips by their state, Findings those that hold and are not shelved by their kind.
	Chips    map[facetdv1.HealthState]int
	Findings map[facetdv1.HealthFindingKind]int
	// Shelved counts findings that hold and are shelved.
	Shelved          int
	Samples, Skipped uint64
}

// Stats returns counts for metrics.
func (s *Service) Stats() Stats {
	h := s.report()
	out := Stats{Chips: map[facetdv1.HealthState]int{}, Findings: map[facetdv1.HealthFindingKind]int{},
		Samples: h.GetSamples(), Skipped: h.GetSkippedSamples()}
	for _, c := range h.GetChips() {
		out.Chips[c.GetState()]++
	}
	for _, f := range h.GetFindings() {
		if f.GetShelving() != nil {
			out.Shelved++
			continue
		}
		out.Findings[f.GetKind()]++
	}
	return out
}
