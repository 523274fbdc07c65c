package server

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/config"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
)

// reloadLimit is how long a reload may take; new tasks wait for an instant when no job
// is open.
const reloadLimit = 30 * time.Second

// reloadable is what the active configuration came to, for the next reload to
// compare with.
type reloadable struct {
	cfg   config.Config
	tasks []*facetdv1.Task // of the file
	light string           // the scene with a digest of its pictures
}

// Reloader is a part of the daemon that can take over a configuration while it runs.
// It reads and checks what the configuration names and changes nothing; commit, which
// cannot fail, applies it. say tells in some words what changes, empty where
// nothing does.
type Reloader func(next *config.Config) (commit func(), say string, wrong invalid.Errors)

// Reload reads the configuration again and applies what differs, all of it or
// nothing: everything is read, checked and planned before anything is touched. The
// level of the log, the light on a virtual bus, the tasks, certificates and tokens can change, and what
// reloaders take over. Of the tasks only the difference between the files counts: what
// came over the API stays. A configuration that differs in anything else is refused.
// The outcome is logged, an event, and returned as an error where it was refused:
// invalid.Errors, *scheduler.RefusalError, what read returns, ctx's. Reloads wait
// for each other.
func (s *Server) Reload(ctx context.Context, read func() (config.Config, error)) error {
	s.reloading.Lock()
	defer s.reloading.Unlock()
	s.cfg.Supervisor.Reloading()
	ctx, cancel := context.WithTimeout(ctx, reloadLimit)
	defer cancel()
	changes, err := s.reload(ctx, read)
	text := "configuration read again, nothing differs"
	switch {
	case err != nil:
		text = "configuration refused: " + err.Error()
	case len(changes) > 0:
		text = "configuration applied: " + strings.Join(changes, "; ")
	}
	if err != nil {
		s.log.Warn(text)
	} else {
		s.log.Info(text)
	}
	e := events.Info(facetdv1.EventKind_EVENT_KIND_CONFIGURATION, text)
	e.BusNs = s.bus.Now()
	if err != nil {
		e.Severity = facetdv1.Severity_SEVERITY_WARNING
	}
	s.keeping.journal.Append(e)
	state := s.statusLine()
	if err != nil {
		state += "; the configuration was refused"
	}
	s.cfg.Supervisor.Ready(state)
	return err
}

func (s *Server) reload(ctx context.Context, read func() (config.Config, error)) (changes []string, err error) {
	next := s.cfg
	if next.Config, err = read(); err != nil {
		return nil, err
	}
	was := &s.active
	m := next.Validate()
	m = append(m, was.cfg.FixedChanged(&next.Config)...)
	if len(m) > 0 {
		return nil, m
	}
	now := reloadable{cfg: next.Config, tasks: was.tasks, light: was.light}
	in := &inputs{}
	if s.player == nil {
		if in, m = next.load(s.log); len(m) == 0 {
			m = s.sameArray(in)
		}
		now.tasks, now.light = in.tasks, in.light
	}
	commits := []func(){}
	for _, prepare := range s.reloaders {
		commit, say, wrong := prepare(&next.Config)
		m = append(m, wrong...)
		commits = append(commits, commit)
		if say != "" {
			changes = append(changes, say)
		}
	}
	if len(m) > 0 {
		return nil, m
	}
	// From here on nothing is read. The tasks are planned before they take effect, and
	// what follows them can fail only with the bus itself.
	if edit := taskChanges(was.tasks, now.tasks); !edit.empty() {
		if _, err := s.tasks.EditTasks(ctx, edit.apply); err != nil {
			return nil, plainTasks(err)
		}
		was.tasks = now.tasks
		changes = append(changes, edit.String())
	}
	if now.light != was.light {
		if err := s.light.Replace(ctx, next.Scene, in.scene); err != nil {
			return nil, fmt.Errorf("the tasks are active, the scene is not: %w", err)
		}
		changes = append(changes, "scene "+next.Scene)
	}
	for _, commit := range commits {
		commit()
	}
	*was = now
	return changes, nil
}

// levelReloader takes over the level of the log.
func (s *Server) levelReloader(next *config.Config) (commit func(), say string, wrong invalid.Errors) {
	level := zap.NewAtomicLevel()
	if err := level.UnmarshalText([]byte(next.Log.Level)); err != nil {
		wrong.Add("log.level", err.Error(), "")
		return nil, "", wrong
	}
	if s.level.Level() != level.Level() {
		say = "log level " + next.Log.Level
	}
	return func() { s.level.SetLevel(level.Level()) }, say, nil
}

// accessReloader reads certificates, revocation lists and tokens again, also where the
// configuration names the same files.
func (s *Server) accessReloader(next *config.Config) (commit func(), say string, wrong invalid.Errors) {
	commit, changed, err := s.access.Prepare(next.Access)
	if err != nil {
		if !errors.As(err, &wrong) {
			wrong.Add("access", err.Error(), "")
		}
		return nil, "", wrong
	}
	if changed {
		say = "access"
	}
	return commit, say, nil
}

// sameArray wants the array that runs.
func (s *Server) sameArray(in *inputs) (m invalid.Errors) {
	if in.array.Digest != s.array.Digest {
		m.Add("array", "its file now holds another array than the one that runs", "restart the daemon to run it")
	}
	return m
}

// plainTasks says whose fault it is that tasks could not be changed.
func plainTasks(err error) error {
	if errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("the tasks found no instant to change within %v: %w", reloadLimit, err)
	}
	return err
}

// taskEdit is the difference between two files of tasks.
type taskEdit struct {
	set     []*facetdv1.Task // added, or changed
	added   []string
	changed []string
	removed []string
}

func taskChanges(was, now []*facetdv1.Task) (e taskEdit) {
	find := func(in []*facetdv1.Task, name string) *facetdv1.Task {
		if i := slices.IndexFunc(in, func(t *facetdv1.Task) bool { return t.GetName() == name }); i >= 0 {
			return in[i]
		}
		return nil
	}
	for _, t := range now {
		switch old := find(was, t.GetName()); {
		case old == nil:
			e.added = append(e.added, t.GetName())
		case proto.Equal(old, t):
			continue
		default:
			e.changed = append(e.changed, t.GetName())
		}
		e.set = append(e.set, t)
	}
	for _, t := range was {
		if find(now, t.GetName()) == nil {
			e.removed = append(e.removed, t.GetName())
		}
	}
	return e
}

func (e *taskEdit) empty() bool { return len(e.set)+len(e.removed) == 0 }

// apply makes the difference to the tasks that run. What the API did to a task of the
// file in the meantime is overruled where the file changed it, and stays elsewhere.
func (e *taskEdit) apply(running []*facetdv1.Task) ([]*facetdv1.Task, error) {
	out := slices.DeleteFunc(running, func(t *facetdv1.Task) bool { return slices.Contains(e.removed, t.GetName()) })
	for _, t := range e.set {
		if i := slices.IndexFunc(out, func(r *facetdv1.Task) bool { return r.GetName() == t.GetName() }); i >= 0 {
			out[i] = t
		} else {
			out = append(out, t)
		}
	}
	return out, nil
}

func (e *taskEdit) String() string {
	var parts []string
	for _, p := range []struct {
		verb  string
		names []string
	}{{"added", e.added}, {"changed", e.changed}, {"removed", e.removed}} {
		if len(p.names) > 0 {
			parts = append(parts, p.verb+" "+strings.Join(p.names, ", "))
		}
	}
	return "tasks " + strings.Join(parts, ", ")
}

// statusLine is how the daemon is doing, for whoever started it.
func (s *Server) statusLine() string {
	snap := s.dispatcher.Snapshot()
	if snap.State == facetdv1.State_STATE_FAULT {
		return "the bus was given up: " + snap.Fault
	}
	return fmt.Sprintf("%s%s, tasks %d, bus planned %.0f %%, rules violated %d", strings.TrimSpace(s.verb()), " "+s.array.Name, len(snap.Tasks), 100*snap.PlannedUtil, snap.Violations)
}

// superviseRun says when the daemon is ready, which is when the goroutine that owns the
// bus runs its table, and feeds the watchdog until ctx ends.
func (s *Server) superviseRun(ctx context.Context) {
	if s.cfg.Supervisor == nil {
		return
	}
	if err := s.dispatcher.Alive(ctx); err != nil {
		return // Run says why
	}
	s.reloading.Lock() // a reload that came first says so itself
	s.cfg.Supervisor.Ready(s.statusLine())
	s.reloading.Unlock()
	s.cfg.Supervisor.Watch(ctx, s.sound, s.statusLine)
}

// sound returns nil with proof that the goroutine that owns the bus goes on, or that it
// gave the bus up: every line is inactive then and the cause can be asked for. That is
// for an operator to judge; a service manager that started the daemon anew would drive
// the chips again without anybody having looked.
func (s *Server) sound(ctx context.Context) error {
	err := s.dispatcher.Alive(ctx)
	if errors.As(err, new(*dispatch.StoppedError)) && s.dispatcher.Snapshot().State == facetdv1.State_STATE_FAULT {
		return nil
	}
	return err
}

// taskEditor is the dispatcher where there is one.
type taskEditor interface {
	EditTasks(ctx context.Context, edit func([]*facetdv1.Task) ([]*facetdv1.Task, error)) (int64, error)
}

var _ taskEditor = (*dispatch.Dispatcher)(nil)
