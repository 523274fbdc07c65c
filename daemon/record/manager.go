package record

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
)

// keptEnded is how many ended recordings keep their counts in memory.
const keptEnded = 64

// Manager runs recordings. It observes the dispatcher; the observer's methods never
// wait for a disk. Everything may be called from any goroutine.
type Manager struct {
	cfg   Config
	began time.Time

	starting sync.Mutex // one start at a time; never held by the observer
	closed   bool       // under starting

	running atomic.Pointer[[]*recording] // replaced, never changed
	// downloads holds a token for each that runs.
	downloads chan struct{}

	mu    sync.Mutex // held for moments only
	plan  *facetdv1.PlanChange
	ended map[string]*recording
	order []string // of ended, oldest first
	past  Stats    // of recordings that have ended
	// deleted counts recordings by why they were deleted.
	deleted map[string]uint64
}

var _ dispatch.Observer = (*Manager)(nil)

// NewManager makes the folder where it is not there. Nothing is recorded until Start.
// Give the manager to the dispatcher as an observer before it runs, and call Recover
// for what a crash left behind.
func NewManager(cfg Config) (*Manager, error) {
	if cfg.KeepFree == 0 {
		cfg.KeepFree = DefaultKeepFree
	}
	if cfg.create == nil {
		cfg.create = func(path string) (file, error) { return createExclusive(path, cfg.Modes) }
	}
	if wrap := cfg.Disk; wrap != nil {
		create := cfg.create
		cfg.create = func(path string) (file, error) {
			f, err := create(path)
			if err != nil {
				return nil, err
			}
			return wrap(f), nil
		}
	}
	if cfg.free == nil {
		cfg.free = freeBytes
	}
	if cfg.Logger == nil {
		cfg.Logger = zap.NewNop()
	}
	if err := cfg.Modes.MkdirAll(cfg.Dir); err != nil {
		return nil, fmt.Errorf("recordings: %w", err)
	}
	if cfg.clock == nil {
		cfg.clock = time.Now
	}
	cfg.geometry, cfg.chips = cfg.Array.Geometry(), map[string]*facetdv1.ChipGeometry{}
	for _, g := range cfg.geometry.GetChips() {
		cfg.chips[g.GetChip()] = g
	}
	m := &Manager{cfg: cfg, began: cfg.clock(), ended: map[string]*recording{}, deleted: map[string]uint64{},
		downloads: make(chan struct{}, MaxDownloads)}
	m.running.Store(&[]*recording{})
	return m, nil
}

// SegmentRun does nothing: frame sets hold what is worth keeping of a segment.
func (m *Manager) SegmentRun(string, *bus.Result, dispatch.WordCount) {}

// JobEnded hands a frame set to every recording that wants it.
func (m *Manager) JobEnded(fs *facetdv1.FrameSet) { m.JobEndedLater(fs, func() {}) }

// JobEndedLater is JobEnded; it looks at the pixels where a recording wants them. One that starts meanwhile begins with
// the next frame set: it would be given pixels that nobody has looked at.
func (m *Manager) JobEndedLater(fs *facetdv1.FrameSet, look func()) {
	for _, r := range *m.running.Load() {
		if r.wants(fs) {
			look()
			it := item{frames: fs}
			if r.motion != nil && fs.GetTask() != "" {
				it.correct = m.cfg.Correct(fs)
			}
			r.queue.put(it, fs.GetFinishBusNs())
		}
	}
}

// Wants reports whether a recording that runs wants the frame sets of a task. It may be called from any goroutine.
func (m *Manager) Wants(task string) bool {
	return slices.ContainsFunc(*m.running.Load(), func(r *recording) bool { return r.wantsTask(task) })
}

// PlanChanged hands a timetable to every recording, and keeps it for the next one.
func (m *Manager) PlanChanged(plan *facetdv1.Plan, at, epoch bus.Time) {
	change := &facetdv1.PlanChange{Plan: plan, EffectiveBusNs: at.NS(), EpochBusNs: epoch.NS()}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.plan = change
	for _, r := range *m.running.Load() {
		r.queue.put(item{plan: change}, at.NS())
	}
}

// Violated does nothing: rule violations come as events.
func (m *Manager) Violated(rules.Violation) {}

// MapChanged hands a correction map that has become active, or no longer is, to every recording. Nobody may change it
// afterwards.
func (m *Manager) MapChanged(c *facetdv1.CorrectionMap) {
	now := m.cfg.Now().NS()
	for _, r := range *m.running.Load() {
		r.queue.put(item{cmap: c, atNS: now}, now)
	}
}

// Event hands an event to every recording, unless it is about that recording itself.
// Nobody may change it afterwards.
func (m *Manager) Event(e *facetdv1.Event) {
	for _, r := range *m.running.Load() {
		if e.GetFields()["recording"].GetText() != r.name {
			r.queue.put(item{event: e}, e.GetBusNs())
		}
	}
}

// Start begins a recording; an empty name is the time in UTC. Errors: invalid.Errors,
// *failure.NotFound for a task, *failure.Exists, *failure.Exhausted, *NoFreeSpaceError, *failure.Unavailable, and what
// the system says about the file.
func (m *Manager) Start(name string, options *facetdv1.RecordingOptions) (*facetdv1.Recording, error) {
	if name == "" {
		name = time.Now().UTC().Format("20060102T150405.000Z")
	}
	options, wrong := checkOptions(name, options)
	if len(wrong) > 0 {
		return nil, wrong
	}
	if err := m.knownTasks(options.GetTasks()); err != nil {
		return nil, err
	}
	m.starting.Lock()
	defer m.starting.Unlock()
	if err := m.mayStart(name); err != nil {
		return nil, err
	}
	now := m.cfg.Now()
	r, err := begin(&m.cfg, name, options)
	if err != nil {
		return nil, err
	}
	m.mu.Lock()
	r.plan = m.plan
	m.setRunning(append(slices.Clone(*m.running.Load()), r))
	delete(m.ended, name)
	m.mu.Unlock()
	go func() {
		how := r.run(now.NS())
		m.retire(r, how)
		r.cfg.Events.Send(how.event)
		close(r.done)
	}()
	r.cfg.Events.Send(r.event(facetdv1.EventKind_EVENT_KIND_RECORDING_STARTED, facetdv1.Severity_SEVERITY_INFO,
		"recording "+name+" began"))
	return r.message(), nil
}

// knownTasks refuses tasks that there are not, once it is known which there are.
func (m *Manager) knownTasks(names []string) error {
	if len(names) == 0 || m.cfg.Status == nil {
		return nil
	}
	st := m.cfg.Status()
	if s := st.GetState(); s != facetdv1.State_STATE_RUNNING && s != facetdv1.State_STATE_SAFE_STOP {
		return nil
	}
	for _, name := range names {
		if !slices.ContainsFunc(st.GetTasks(),
			func(t *facetdv1.RunningTask) bool { return t.GetTask().GetName() == name }) {
			return &failure.NotFound{What: "task", Name: name}
		}
	}
	return nil
}

// mayStart is called with starting held.
func (m *Manager) mayStart(name string) error {
	running := *m.running.Load()
	if m.closed {
		return errStopped
	}
	if len(running) >= MaxRunning {
		names := make([]string, len(running))
		for i, r := range running {
			names[i] = r.name
		}
		return &failure.Exhausted{Message: fmt.Sprintf("%d recordings run already (%s); stop one first", len(names),
			strings.Join(names, ", "))}
	}
	groups, err := listDir(m.cfg.Dir)
	if err != nil {
		return err
	}
	if groups[name] != nil {
		return &failure.Exists{What: "recording", Name: name}
	}
	free, err := m.cfg.free(m.cfg.Dir)
	if err != nil {
		return err
	}
	if free < m.cfg.KeepFree {
		return &NoFreeSpaceError{Free: free, KeepFree: m.cfg.KeepFree}
	}
	return nil
}

// setRunning is called with mu held.
func (m *Manager) setRunning(list []*recording) { m.running.Store(&list) }

// retire takes a recording that has ended off the list before it shows how it ended, since whoever
// sees that may start another at once.
func (m *Manager) retire(r *recording, how ending) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.setRunning(slices.DeleteFunc(slices.Clone(*m.running.Load()), func(o *recording) bool { return o == r }))
	r.update(func(i *facetdv1.Recording) { i.State, i.Reason = how.state, how.reason })
	m.past.add(r)
	r.over = m.cfg.clock()
	m.ended[r.name] = r
	m.order = append(slices.DeleteFunc(m.order, func(n string) bool { return n == r.name }), r.name)
	if len(m.order) > keptEnded {
		delete(m.ended, m.order[0])
		m.order = m.order[1:]
	}
}

func (m *Manager) find(name string) *recording {
	for _, r := range *m.running.Load() {
		if r.name == name {
			return r
		}
	}
	return nil
}

// Stop ends a recording, and returns once it is closed. Errors: *failure.NotFound, ctx's;
// in the last case the recording ends all the same.
func (m *Manager) Stop(ctx context.Context, name string) (*facetdv1.Recording, error) {
	r := m.find(name)
	if r == nil {
		return nil, errNotRunning(name)
	}
	r.stop("it was asked to")
	select {
	case <-r.done:
		return r.message(), nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Close ends every recording and refuses new ones. Where the disk takes longer than ctx gives it, the error names what
// is not closed then, which can be recovered, and is ctx's.
func (m *Manager) Close(ctx context.Context) error {
	m.starting.Lock()
	m.closed = true
	m.starting.Unlock()
	running := *m.running.Load()
	for _, r := range running {
		r.stop("the daemon went down")
	}
	var open []string
	for _, r := range running {
		select {
		case <-r.done:
		case <-ctx.Done():
			open = append(open, r.name)
		}
	}
	if open != nil {
		return fmt.Errorf("not closed in time, to be recovered: recording %s: %w", strings.Join(open, ", "), ctx.Err())
	}
	return nil
}

// Get returns one recording. Errors: *failure.NotFound, and the disk's.
func (m *Manager) Get(name string) (*facetdv1.Recording, error) {
	if r := m.known(name); r != nil {
		return r.message(), nil
	}
	groups, err := listDir(m.cfg.Dir)
	if err != nil {
		return nil, err
	}
	if groups[name] == nil {
		return nil, errNone(name)
	}
	return describe(m.cfg.Dir, name, groups[name]), nil
}

// Running returns the recordings that run, for metrics and pages.
func (m *Manager) Running() []*facetdv1.Recording {
	var out []*facetdv1.Recording
	for _, r := range *m.running.Load() {
		out = append(out, r.message())
	}
	return out
}

// List returns up to limit recordings with names after a name, by name, and whether
// there are more. The error is the disk's.
func (m *Manager) List(after string, limit int) (list []*facetdv1.Recording, more bool, err error) {
	groups, err := listDir(m.cfg.Dir)
	if err != nil {
		return nil, false, err
	}
	for _, name := range slices.Sorted(maps.Keys(groups)) {
		if name <= after {
			continue
		}
		if len(list) == limit {
			return list, true, nil
		}
		if r := m.known(name); r != nil {
			list = append(list, r.message())
		} else {
			list = append(list, describe(m.cfg.Dir, name, groups[name]))
		}
	}
	return list, false, nil
}

// known is a recording that runs or ended in this process.
func (m *Manager) known(name string) *recording {
	if r := m.find(name); r != nil {
		return r
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.ended[name]
}

// checkOptions returns the options with every default filled in.
func checkOptions(name string, given *facetdv1.RecordingOptions) (*facetdv1.RecordingOptions, invalid.Errors) {
	var wrong invalid.Errors
	o := &facetdv1.RecordingOptions{}
	if given != nil {
		o = proto.CloneOf(given)
	}
	if !validName.MatchString(name) {
		wrong.Add("name", fmt.Sprintf("%q is not a name of a recording", name),
			"use up to 64 letters, digits, '.', '_' and '-', beginning with a letter or digit")
	}
	for i, task := range o.GetTasks() {
		if task == "" {
			wrong.Add(fmt.Sprintf("options.tasks[%d]", i), "the name is empty",
				"name a task, or leave tasks out for all")
		}
	}
	if o.GetPartBytes() == 0 {
		o.PartBytes = DefaultPartBytes
	}
	if o.GetPartBytes() < MinPartBytes {
		wrong.Add("options.part_bytes", fmt.Sprintf("%d is too small for a file", o.GetPartBytes()),
			fmt.Sprintf("use %d or more, or 0", MinPartBytes))
	}
	for _, d := range []struct {
		path string
		got  interface {
			AsDuration() time.Duration
			CheckValid() error
		}
		set bool
	}{
		{"options.part_duration", o.GetPartDuration(), o.GetPartDuration() != nil},
		{"options.max_duration", o.GetMaxDuration(), o.GetMaxDuration() != nil},
	} {
		switch {
		case !d.set:
		case d.got.CheckValid() != nil:
			wrong.Add(d.path, "it is not a duration",
				"seconds and nanoseconds have one sign, and those of less than one "+
					"second are below 1e9")
		case d.got.AsDuration() < time.Second:
			wrong.Add(d.path, fmt.Sprintf("%v is too short", d.got.AsDuration()), "use 1s or more, or leave it out")
		}
	}
	return o, wrong
}
