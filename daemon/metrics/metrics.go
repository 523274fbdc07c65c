// Package metrics keeps facetd's Prometheus metrics: those counted as things happen
// on the bus, and those read from the dispatcher and the streams when scraped.
//
// One table describes all of them; the code registers from it and METRICS.md is
// written from it. Series of a task appear, at zero, when a timetable with it takes
// effect, and go when one without it does.
package metrics

import (
	"net/http"
	"runtime"
	"strconv"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bridge"
	"facetd.example/bus/rules"
	"facetd.example/daemon/bringup"
	"facetd.example/daemon/calibration"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
	"facetd.example/daemon/health/watch"
	"facetd.example/daemon/lockstep"
	"facetd.example/daemon/motion"
	"facetd.example/daemon/probe"
	"facetd.example/daemon/record"
	"facetd.example/daemon/safestop"
	"facetd.example/daemon/stream"
	"facetd.example/daemon/taskstore"
)

// Source is what is asked at every scrape; nil functions leave their metrics out.
type Source struct {
	Snapshot func() dispatch.Snapshot
	Streams  func() stream.Stats
	// StoredTasks is what is stored of the tasks; nil without a folder for data.
	StoredTasks func() taskstore.Stats
	// SafeStop is what there was of safe stops; nil where no array is driven.
	SafeStop func() safestop.Stats
	// Lockstep is who holds bus time; nil at any other pace.
	Lockstep func() lockstep.Stats
	// Device is what is known of the device that drives the array; nil where none does.
	Device func() bridge.Status
	// Uncertainty is how far host times may be off.
	Uncertainty func() time.Duration
	// UTCSteps is how often UTC was set; nil in a replay.
	UTCSteps func() uint64
	// Recordings is nil where the daemon keeps none.
	Recordings func() record.Stats
	Events     func() events.Stats
	// Refused is how often access was refused, by reason.
	Refused        func() map[string]uint64
	CorrectionMaps func() calibration.Stats
	Health         func() watch.Stats
	Probes         func() probe.Stats
	Bringups       func() bringup.Stats
	Motion         func() motion.Stats
	// Bus says what is run.
	Bus Bus
}

// Bus says what is run: the array, the kind of bus, and the pace of its time.
type Bus struct {
	Array, Kind string
	Pace        facetdv1.Pace
}

// Metrics observes a dispatcher. The observer's methods are for the goroutine that
// owns the bus; everything else may be called from any.
type Metrics struct {
	registry *prometheus.Registry

	busy        *prometheus.CounterVec
	planChanges prometheus.Counter
	jobs        *prometheus.CounterVec
	misses      *prometheus.CounterVec
	frames      *prometheus.CounterVec
	onDemands   *prometheus.CounterVec
	response    *prometheus.HistogramVec
	skew        *prometheus.HistogramVec
	hold        *prometheus.HistogramVec
	words       *prometheus.CounterVec
	violations  *prometheus.CounterVec

	tasks map[string]bool // with series; of the observer's goroutine

	mu     sync.Mutex
	source Source
	state  map[string]*taskState // by task
	clock  func() time.Time
}

var _ dispatch.Observer = (*Metrics)(nil)

// New returns metrics in a registry of their own. version is facetd's.
func New(version string) *Metrics {
	b := builder{table: map[string]Metric{}, registry: prometheus.NewRegistry()}
	for _, m := range Table() {
		b.table[m.Name] = m
	}
	m := &Metrics{
		registry:    b.registry,
		busy:        b.counters(nameBusBusy),
		planChanges: b.counters(namePlanChanges).WithLabelValues(),
		jobs:        b.counters(nameJobs),
		misses:      b.counters(nameDeadlineMisses),
		frames:      b.counters(nameFrames),
		onDemands:   b.counters(nameOnDemand),
		response:    b.histograms(nameResponse),
		skew:        b.histograms(nameSkew),
		hold:        b.histograms(nameHold),
		words:       b.counters(nameSelectWords),
		violations:  b.counters(nameViolations),
		tasks:       map[string]bool{},
		state:       map[string]*taskState{},
		clock:       time.Now,
	}
	for _, v := range []struct {
		vec  *prometheus.CounterVec
		name string
	}{{m.busy, nameBusBusy}, {m.onDemands, nameOnDemand}, {m.words, nameSelectWords}, {m.violations, nameViolations}} {
		for _, value := range b.table[v.name].Values {
			v.vec.WithLabelValues(value)
		}
	}
	b.gauges(nameBuildInfo).WithLabelValues(version, runtime.Version()).Set(1)
	b.registry.MustRegister(newScraped(m, b.table),
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// SetSource says what to ask at every scrape.
func (m *Metrics) SetSource(s Source) {
	m.mu.Lock()
	m.source = s
	m.mu.Unlock()
}

// Registry is where everything is registered.
func (m *Metrics) Registry() *prometheus.Registry { return m.registry }

// Handler serves the exposition. At most four scrapes are answered at once.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{MaxRequestsInFlight: 4, Timeout: 10 * time.Second})
}

// SegmentRun adds a segment's bus time and select words.
func (m *Metrics) SegmentRun(_ string, r *bus.Result, words dispatch.WordCount) {
	for phase, d := range r.Busy {
		if d > 0 && phaseNames[phase] != "" {
			m.busy.WithLabelValues(phaseNames[phase]).Add(d.Seconds())
		}
	}
	for i, n := range []int{words.Broadcast, words.Group, words.Single} {
		m.words.WithLabelValues(scopes[i]).Add(float64(n))
	}
}

// JobEndedLater counts a job, for which it needs no pixels.
func (m *Metrics) JobEndedLater(fs *facetdv1.FrameSet, _ func()) { m.JobEnded(fs) }

// JobEnded counts a job.
func (m *Metrics) JobEnded(fs *facetdv1.FrameSet) {
	outcome := onTime
	switch {
	case fs.GetFailure() != "":
		outcome = failed
	case fs.GetLate():
		outcome = late
	}
	task := fs.GetTask()
	if task == "" {
		if outcome != failed {
			outcome = done
		}
		m.onDemands.WithLabelValues(outcome).Inc()
		return
	}
	m.addTask(task)
	m.jobs.WithLabelValues(task, outcome).Inc()
	if outcome != onTime {
		m.misses.WithLabelValues(task).Inc()
	}
	if outcome == failed {
		return
	}
	m.mu.Lock()
	m.state[task].ended(fs, m.clock())
	m.mu.Unlock()
	m.frames.WithLabelValues(task).Add(float64(len(fs.GetFrames())))
	m.response.WithLabelValues(task).Observe(seconds(fs.GetFinishBusNs() - fs.GetReleaseBusNs()))
	m.skew.WithLabelValues(task).Observe(seconds(fs.GetSkewNs()))
	var hold int64
	for _, f := range fs.GetFrames() {
		hold = max(hold, f.GetHoldNs())
	}
	if hold > 0 {
		m.hold.WithLabelValues(task).Observe(seconds(hold))
	}
}

// PlanChanged makes the series of new tasks and drops those of tasks that have
// gone.
func (m *Metrics) PlanChanged(plan *facetdv1.Plan, at, _ bus.Time) {
	m.planChanges.Inc()
	now := map[string]bool{}
	for _, t := range plan.GetTasks() {
		now[t.GetName()] = true
		m.addTask(t.GetName())
	}
	for task := range m.tasks {
		if !now[task] {
			m.dropTask(task)
		}
	}
	m.mu.Lock()
	for _, s := range m.state {
		s.restart(at)
	}
	m.mu.Unlock()
}

// Paused notes that a task was paused or resumed. Unlike the methods of an observer it may be called from any
// goroutine.
func (m *Metrics) Paused(p dispatch.Pausing) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if s := m.state[p.Task]; s != nil {
		s.pausing(p.At, m.clock())
	}
}

// Violated counts a rule violation.
func (m *Metrics) Violated(v rules.Violation) {
	m.violations.WithLabelValues(strconv.Itoa(v.Rule)).Inc()
}

func (m *Metrics) addTask(task string) {
	if m.tasks[task] {
		return
	}
	m.tasks[task] = true
	m.mu.Lock()
	m.state[task] = &taskState{last: m.clock()}
	m.mu.Unlock()
	for _, o := range outcomes {
		m.jobs.WithLabelValues(task, o)
	}
	m.misses.WithLabelValues(task)
	m.frames.WithLabelValues(task)
	m.response.WithLabelValues(task)
	m.skew.WithLabelValues(task)
}

func (m *Metrics) dropTask(task string) {
	delete(m.tasks, task)
	m.mu.Lock()
	delete(m.state, task)
	m.mu.Unlock()
	gone := prometheus.Labels{"task": task}
	for _, vec := range []interface {
		DeletePartialMatch(prometheus.Labels) int
	}{m.jobs, m.misses, m.frames, m.response, m.skew, m.hold} {
		vec.DeletePartialMatch(gone)
	}
}

func seconds(ns int64) float64 { return time.Duration(ns).Seconds() }

// builder registers metrics by their names in the table.
type builder struct {
	table    map[string]Metric
	registry *prometheus.Registry
}

func (b *builder) counters(name string) *prometheus.CounterVec {
	d := b.table[name]
	v := prometheus.NewCounterVec(prometheus.CounterOpts{Name: d.Name, Help: d.Help}, d.Labels)
	b.registry.MustRegister(v)
	return v
}

func (b *builder) gauges(name string) *prometheus.GaugeVec {
	d := b.table[name]
	v := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: d.Name, Help: d.Help}, d.Labels)
	b.registry.MustRegister(v)
	return v
}

func (b *builder) histograms(name string) *prometheus.HistogramVec {
	d := b.table[name]
	v := prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: d.Name, Help: d.Help, Buckets: d.Buckets}, d.Labels)
	b.registry.MustRegister(v)
	return v
}
