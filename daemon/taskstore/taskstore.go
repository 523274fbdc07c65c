// Package taskstore keeps the tasks that came over the API beyond the end of the process.
//
// It stores how the tasks that run differ from those configured: made, changed, paused and removed
// ones, with a revision that counts the changes, the generation of every task, and what was
// last set between the jobs of those that run, as one file of JSON that is written whole before
// a change is answered. At a start what is stored wins,
// unless the configured description of that task has changed since: then that wins, and an
// event says so. A reload of the configuration follows the same rule, but one after which the
// tasks would not fit together is refused: what runs is not taken away. A stored task that does
// not fit at a start is kept aside, told of, and tried again at the next one.
//
// A file that is damaged is moved aside, told of, and the configured tasks run. A file that a
// newer version wrote ends the start.
package taskstore

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/bus"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
	"facetd.example/daemon/failure"
	"facetd.example/daemon/retry"
)

// retryPeriod is how often a file is written again that the disk refused.
const retryPeriod = 5 * time.Second

// movedPeriod is how long parameters that were set are not stored at most: what a crash of the host may take.
const movedPeriod = time.Second

// Config is what a keeper needs.
type Config struct {
	// Path of the file. Its folder is the keeper's own, and is made where it is not there.
	Path   string
	Modes  fileio.Modes
	Events events.Sink
	Logger *zap.Logger

	// For tests of a disk that refuses.
	write func(path string, data []byte, mode fs.FileMode) error
}

// Keeper stands before a dispatcher and stores what changes. Its methods may be called from
// any goroutine.
type Keeper struct {
	*dispatch.Dispatcher // set by Drive

	cfg   Config
	tasks []*facetdv1.Task // that run at the start
	wake  chan struct{}    // holds one token when there may be something to write
	moved chan struct{}    // likewise, when parameters were set

	mu      sync.Mutex // held for moments: the goroutine that owns the bus takes it
	pending []applied
	request *Request // of the change that is told next
	stats   Stats

	writing    sync.Mutex // held while the disk is used; guards what follows
	configured []*facetdv1.Task
	running    []*facetdv1.Task
	state      *State
	written    []byte // that the disk holds
	revision   uint64 // of it
	refused    bool   // the last write failed
}

// applied is a change that is active.
type applied struct {
	tasks    []*facetdv1.Task
	revision uint64
	request  *Request // by which it was made; nil where that has no id
}

// Stats is what is stored.
type Stats struct {
	// Entries by kind, and Aside those that do not fit.
	Entries map[Kind]int
	Aside   int
	// Unstored counts changes that the disk does not hold: it refuses them.
	Unstored uint64
}

// Open reads the file and works out what runs. fits says what is wrong with a set of tasks.
// Errors: those of Resolve; *FutureError, with the name of the file; the system's.
func Open(cfg Config, configured []*facetdv1.Task, fits func([]*facetdv1.Task) error) (*Keeper, error) {
	if cfg.write == nil {
		cfg.write = fileio.WriteDurably
	}
	if cfg.Logger == nil {
		cfg.Logger = zap.NewNop()
	}
	if err := prepare(&cfg); err != nil {
		return nil, fmt.Errorf("stored tasks: %w", err)
	}
	k := &Keeper{cfg: cfg, configured: configured, wake: make(chan struct{}, 1), moved: make(chan struct{}, 1)}
	stored, err := k.read()
	if err != nil {
		return nil, fmt.Errorf("stored tasks: %s: %w", cfg.Path, err)
	}
	r, err := Resolve(stored, configured, fits)
	if err != nil {
		return nil, err
	}
	for _, n := range r.Notes {
		k.tell(facetdv1.Severity_SEVERITY_WARNING, n)
	}
	k.tasks, k.running, k.state = r.Tasks, r.Tasks, r.State
	k.count()
	return k, nil
}

// prepare makes the folder, and removes what a crash left half-written there.
func prepare(cfg *Config) error {
	dir := filepath.Dir(cfg.Path)
	if err := cfg.Modes.MkdirAll(dir); err != nil {
		return err
	}
	left, err := filepath.Glob(filepath.Join(dir, fileio.TempPrefix+"*"))
	if err != nil {
		return err
	}
	for _, path := range left {
		if err := os.Remove(path); err != nil {
			return err
		}
	}
	return nil
}

// read reads the file; nil where there is none, or where it is damaged and was moved aside.
func (k *Keeper) read() (*State, error) {
	f, err := os.Open(k.cfg.Path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxBytes+1))
	if err != nil {
		return nil, err
	}
	s, err := Parse(data)
	var damaged *DamagedError
	if !errors.As(err, &damaged) {
		if err == nil {
			k.written, k.revision = data, s.Revision
		}
		return s, err
	}
	to := k.cfg.Path + ".damaged-" + time.Now().UTC().Format("20060102T150405.000000000Z")
	if err := os.Rename(k.cfg.Path, to); err != nil {
		return nil, err
	}
	said := fmt.Sprintf("the stored tasks are damaged: %s; the configured ones run, and the file is now %s",
		damaged.What, to)
	k.tell(facetdv1.Severity_SEVERITY_ERROR, Note{Text: said})
	return nil, nil
}

// Tasks are those that run at the start.
func (k *Keeper) Tasks() []*facetdv1.Task { return k.tasks }

// Revision is that of Tasks.
func (k *Keeper) Revision() uint64 { return k.state.Revision }

// Drive makes a dispatcher the one that runs the tasks, and sets what was last set of them. Its configuration must name
// Applied.
func (k *Keeper) Drive(d *dispatch.Dispatcher) {
	k.writing.Lock()
	defer k.writing.Unlock()
	k.Dispatcher = d
	for _, e := range k.state.Tasks {
		if len(e.Parameters) == 0 {
			continue
		}
		set := &facetdv1.SetTaskParametersRequest{Task: e.Name, Views: e.Parameters}
		if _, err := d.SetParameters(context.Background(), set); err != nil {
			said := fmt.Sprintf("what was last set of task %s is dropped: %v", e.Name, err)
			k.tell(facetdv1.Severity_SEVERITY_WARNING, Note{Task: e.Name, Text: said})
		}
	}
}

// SetParameters is the dispatcher's. The values are stored soon after: they may follow an object from job to job, and a
// disk is not to be written as often.
func (k *Keeper) SetParameters(ctx context.Context, r *facetdv1.SetTaskParametersRequest) (
	*facetdv1.SetTaskParametersResponse, error) {
	done, err := k.Dispatcher.SetParameters(ctx, r)
	if err == nil {
		select {
		case k.moved <- struct{}{}:
		default: // a token is there already
		}
	}
	return done, err
}

// withParameters is a state with the parameters that its tasks have now.
func (k *Keeper) withParameters(s *State) *State {
	if k.Dispatcher == nil {
		return s
	}
	next := *s
	next.Tasks = slices.Clone(s.Tasks)
	for i := range next.Tasks {
		if e := &next.Tasks[i]; e.Kind != Removed {
			e.Parameters = k.ClientParameters(e.Name) // what the daemon sets follows from the light
		}
	}
	return &next
}

// Applied is called with the tasks that run from now on and their revision, on the goroutine that owns the bus.
func (k *Keeper) Applied(tasks []*facetdv1.Task, revision uint64) {
	k.mu.Lock()
	k.pending = append(k.pending, applied{tasks, revision, k.request})
	k.request = nil
	k.mu.Unlock()
	select {
	case k.wake <- struct{}{}:
	default: // a token is there already
	}
}

// Apply is the dispatcher's, and returns once the changes are stored or the disk has refused them. What was kept aside
// under their names is overtaken. A request with an id that was made before, by this process or the one before it, gets
// the answer that it got then. The removal alone of a task that is only kept aside removes it from there.
func (k *Keeper) Apply(ctx context.Context, c *facetdv1.TaskChanges) (dispatch.Change, error) {
	names := map[string]bool{}
	for _, t := range c.GetAdd() {
		names[t.GetName()] = true
	}
	for _, u := range c.GetUpdate() {
		names[u.GetTask().GetName()] = true
	}
	for _, r := range c.GetRemove() {
		names[r.GetName()] = true
	}
	isNamed := func(e *Entry) bool { return names[e.Name] }
	request, once := retry.Of(ctx)
	if once {
		if known := k.requested(request); known != nil {
			return known.answer(request)
		}
	}
	done, err := k.Dispatcher.ApplyNoting(ctx, c, func(done dispatch.Change) {
		if once { // Applied is called next, so that it is stored with what it did, or not at all
			k.mu.Lock()
			k.request = requestOf(request, done)
			k.mu.Unlock()
		}
	})
	switch {
	case err == nil:
		k.dropAside(isNamed, nil)
	case len(names) == 1 && len(c.GetRemove()) == 1 && errors.As(err, new(*failure.NotFound)):
		now := k.Snapshot()
		done = dispatch.Change{Effective: now.Now, Revision: now.Revision}
		var made *Request
		if once {
			made = requestOf(request, done)
		}
		if !k.dropAside(isNamed, made) {
			return dispatch.Change{}, err
		}
	default:
		return done, err
	}
	k.flush()
	return done, nil
}

// EditTasks is the dispatcher's, for a reload: what it changes of tasks that the API had
// changed is told.
func (k *Keeper) EditTasks(
	ctx context.Context, edit func([]*facetdv1.Task) ([]*facetdv1.Task, error), applied func(),
) (bus.Time, error) {
	k.writing.Lock()
	configured := k.configured
	k.writing.Unlock()
	var notes []Note
	at, err := k.Dispatcher.EditTasks(ctx, func(running []*facetdv1.Task) ([]*facetdv1.Task, error) {
		before := slices.Clone(running)
		next, err := edit(running)
		notes = overruled(configured, before, next)
		return next, err
	}, applied)
	if err != nil {
		return at, err
	}
	for _, n := range notes {
		k.tell(facetdv1.Severity_SEVERITY_WARNING, n)
	}
	return at, nil
}

// overruled finds the tasks that the API had made, changed or removed, and that now run as a
// file has them.
func overruled(configured, before, next []*facetdv1.Task) (notes []Note) {
	names := map[string]bool{}
	for _, list := range [][]*facetdv1.Task{configured, before, next} {
		for _, t := range list {
			name := t.GetName()
			was, old, now := find(configured, name), find(before, name), find(next, name)
			if names[name] || proto.Equal(was, old) || proto.Equal(old, now) {
				continue
			}
			names[name] = true
			kind := Changed
			switch {
			case was == nil:
				kind = Made
			case old == nil:
				kind = Removed
			}
			notes = append(notes, overruling(&Entry{Name: name, Kind: kind, Task: old}, now))
		}
	}
	return notes
}

// Configured tells which tasks are configured from now on.
func (k *Keeper) Configured(tasks []*facetdv1.Task) {
	k.writing.Lock()
	k.configured = tasks
	k.writing.Unlock()
	k.dropAside(func(e *Entry) bool { return Digest(find(tasks, e.Name)) != e.Configured }, nil)
	k.flush()
}

// dropAside gives up tasks that are kept aside, and reports whether there were any: by a request, where it is one.
func (k *Keeper) dropAside(which func(*Entry) bool, by *Request) bool {
	k.writing.Lock()
	defer k.writing.Unlock()
	left := slices.DeleteFunc(slices.Clone(k.state.Aside), func(e Entry) bool { return which(&e) })
	if len(left) == len(k.state.Aside) {
		return false
	}
	next := *k.state
	next.Aside = left
	if by != nil {
		by.Revision = min(by.Revision, next.Revision) // of what is stored: a change may be on its way here
		next.remember(by)
	}
	k.state = &next
	return true
}

// Keep writes what the disk refused, and parameters that were set, until ctx ends.
func (k *Keeper) Keep(ctx context.Context) {
	tick := time.NewTicker(retryPeriod)
	defer tick.Stop()
	k.flush()
	var due <-chan time.Time // when parameters that were set are written
	for {
		select {
		case <-ctx.Done():
			k.flush()
			return
		case <-k.moved:
			if due == nil {
				due = time.After(movedPeriod)
			}
			continue
		case <-due:
		case <-k.wake:
		case <-tick.C:
		}
		due = nil
		k.flush()
	}
}

// flush writes what has changed.
func (k *Keeper) flush() {
	k.writing.Lock()
	defer k.writing.Unlock()
	k.mu.Lock()
	pending := k.pending
	k.pending = nil
	k.mu.Unlock()
	for _, p := range pending {
		k.running = p.tasks
		k.state, _ = after(k.state, k.configured, p.tasks, k.state.Aside, p.revision)
		k.state.remember(p.request)
	}
	next, _ := after(k.state, k.configured, k.running, k.state.Aside, k.state.Revision)
	k.state = k.withParameters(next)
	defer k.count()
	data, err := k.state.Encode()
	if err == nil && bytes.Equal(data, k.written) && k.there() {
		return
	}
	if err == nil {
		// The folder may have been removed; the one above it belongs to others.
		err = k.cfg.Modes.Mkdir(filepath.Dir(k.cfg.Path))
	}
	if err == nil {
		err = k.cfg.write(k.cfg.Path, data, k.cfg.Modes.File())
	}
	switch {
	case err != nil && !k.refused:
		said := fmt.Sprintf("changes of the tasks are not stored, and would be gone after a crash: %v", err)
		k.tell(facetdv1.Severity_SEVERITY_ERROR, Note{Text: said})
	case err == nil && k.refused:
		k.tell(facetdv1.Severity_SEVERITY_INFO, Note{Text: "changes of the tasks are stored again"})
	}
	k.refused = err != nil
	if err == nil {
		k.written, k.revision = data, k.state.Revision
	}
}

// there reports whether nobody has removed the file.
func (k *Keeper) there() bool {
	_, err := os.Stat(k.cfg.Path)
	return !errors.Is(err, fs.ErrNotExist)
}

// count notes what is stored. The caller holds writing, or is alone.
func (k *Keeper) count() {
	s := Stats{Entries: map[Kind]int{}, Aside: len(k.state.Aside)}
	for _, e := range k.state.Tasks {
		s.Entries[e.Kind]++
	}
	if k.refused {
		s.Unstored = max(k.state.Revision-k.revision, 1)
	}
	k.mu.Lock()
	k.stats = s
	k.mu.Unlock()
}

// Stats returns the counts until now.
func (k *Keeper) Stats() Stats {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.stats
}

func (k *Keeper) tell(severity facetdv1.Severity, n Note) {
	e := events.Info(facetdv1.EventKind_EVENT_KIND_STORED_TASKS, n.Text)
	e.Severity, e.Task = severity, n.Task
	if n.Stored != nil {
		e.Fields = events.Fields{"stored": events.Text(text(n.Stored))}
	}
	log := k.cfg.Logger.Warn
	if severity == facetdv1.Severity_SEVERITY_INFO {
		log = k.cfg.Logger.Info
	}
	log(n.Text, zap.String("task", n.Task), zap.String("stored", text(n.Stored)))
	k.cfg.Events.Send(e)
}
