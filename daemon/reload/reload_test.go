package reload

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/daemon/config"
)

// live is a daemon of which everything that a reload may change is written down.
type live struct {
	tasks  []string
	light  string
	parts  []string // by commit
	fails  error    // of the bus
	leaves bool     // Do gives up, and what it was to do runs later
	late   func() error
}

func (l *live) EditTasks(_ context.Context, edit func([]*facetdv1.Task) ([]*facetdv1.Task, error),
	applied func()) (bus.Time, error) {
	var running []*facetdv1.Task
	for _, name := range l.tasks {
		running = append(running, &facetdv1.Task{Name: name})
	}
	next, err := edit(running)
	if err = errors.Join(err, l.fails); err != nil {
		return 0, err
	}
	l.tasks = nil
	for _, t := range next {
		l.tasks = append(l.tasks, t.GetName())
	}
	applied()
	return 1, nil
}

func (l *live) Do(_ context.Context, f func() error) error {
	switch {
	case l.fails != nil:
		return l.fails
	case l.leaves:
		l.late = f
		return context.DeadlineExceeded
	}
	return f()
}

func (l *live) String() string {
	return fmt.Sprintf("tasks %v, light %s, parts %v", l.tasks, l.light, l.parts)
}

// part applies the level of the log, unless it finds something wrong.
func (l *live) part(name string, wrong *invalid.Errors) Part {
	return func(next *config.Config) (Change, invalid.Errors) {
		return Change{Say: name, Commit: func() { l.parts = append(l.parts, name+" "+next.Log.Level) }}, *wrong
	}
}

// rig is a reload of a daemon with one task and uniform light, and the next configuration,
// which differs in everything.
func rig(t *testing.T) (l *live, r *Reload, files *Files, wrong *invalid.Errors, next config.Config) {
	t.Helper()
	l, wrong = &live{tasks: []string{"ring", "extra"}, light: "dim"}, new(invalid.Errors)
	files = &Files{
		Tasks: []*facetdv1.Task{{Name: "ring", RateHz: 5}, {Name: "bed"}}, Light: "bright",
		SetLight: func() { l.light = "bright" },
	}
	read := func(*config.Config) (Files, invalid.Errors) { return *files, *wrong }
	r = New(config.Default(), Files{Tasks: []*facetdv1.Task{{Name: "ring"}}, Light: "dim"}, l, read,
		l.part("log", new(invalid.Errors)), l.part("access", wrong))
	next = config.Default()
	next.Scene, next.Log.Level = "bright", "debug"
	return l, r, files, wrong, next
}

// What a reload changes it changes altogether; tasks that the file knows nothing of stay.
func TestAllOfIt(t *testing.T) {
	l, r, _, _, next := rig(t)
	changes, err := r.Apply(t.Context(), next)
	if err != nil || strings.Join(changes, "; ") != "log; access; tasks added bed, changed ring; scene bright" {
		t.Errorf("%q, %v", changes, err)
	}
	if got := l.String(); got != "tasks [ring extra bed], light bright, parts [log debug access debug]" {
		t.Error(got)
	}
	l.parts = nil
	if changes, err = r.Apply(t.Context(), next); err != nil || !slices.Equal(changes, []string{"log", "access"}) {
		t.Errorf("again: %q, %v", changes, err)
	}
}

// Whatever fails, nothing has changed, and the next reload compares with what still runs.
func TestOrNothing(t *testing.T) {
	stopped := errors.New("the bus is stopped")
	for name, c := range map[string]struct {
		breaks func(l *live, files *Files, wrong *invalid.Errors, next *config.Config)
		fixes  func(l *live, files *Files, wrong *invalid.Errors, next *config.Config)
	}{
		"the configuration is wrong": {
			func(_ *live, _ *Files, _ *invalid.Errors, next *config.Config) { next.Pace = "slow" },
			func(_ *live, _ *Files, _ *invalid.Errors, next *config.Config) { next.Pace = config.Realtime },
		},
		"something else differs": {
			func(_ *live, _ *Files, _ *invalid.Errors, next *config.Config) { next.Seed++ },
			func(_ *live, _ *Files, _ *invalid.Errors, next *config.Config) { next.Seed-- },
		},
		"a file or the last part is wrong": {
			func(_ *live, _ *Files, wrong *invalid.Errors, _ *config.Config) {
				wrong.Add("keys", "they do not open", "")
			},
			func(_ *live, _ *Files, wrong *invalid.Errors, _ *config.Config) { *wrong = nil },
		},
		"the tasks are refused": {
			func(l *live, _ *Files, _ *invalid.Errors, _ *config.Config) { l.fails = stopped },
			func(l *live, _ *Files, _ *invalid.Errors, _ *config.Config) { l.fails = nil },
		},
		"the light is refused, and the tasks do not differ": {
			func(l *live, files *Files, _ *invalid.Errors, _ *config.Config) {
				l.fails, files.Tasks = stopped, files.Tasks[:0]
			},
			func(l *live, files *Files, _ *invalid.Errors, _ *config.Config) {
				l.fails, files.Tasks = nil, files.Tasks[:2]
			},
		},
	} {
		t.Run(name, func(t *testing.T) {
			l, r, files, wrong, next := rig(t)
			if strings.HasPrefix(name, "the light") {
				r.files.Tasks = nil
			}
			before := l.String()
			c.breaks(l, files, wrong, &next)
			if changes, err := r.Apply(t.Context(), next); err == nil || len(changes) > 0 {
				t.Errorf("%q, %v", changes, err)
			}
			if got := l.String(); got != before {
				t.Errorf("after a refusal: %s, before it %s", got, before)
			}
			c.fixes(l, files, wrong, &next)
			if _, err := r.Apply(t.Context(), next); err != nil {
				t.Fatal(err)
			}
			if l.light != "bright" || !slices.Contains(l.tasks, "bed") || len(l.parts) != 2 {
				t.Errorf("after the next: %s", l)
			}
		})
	}
}

// A reload that gave up waiting for the bus changes nothing later either.
func TestNothingComesLate(t *testing.T) {
	l, r, files, _, next := rig(t)
	files.Tasks, r.files.Tasks = nil, nil
	before := l.String()
	l.leaves = true
	if _, err := r.Apply(t.Context(), next); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("%v, want the end of the limit", err)
	}
	if err := l.late(); err != nil {
		t.Fatal(err)
	}
	if got := l.String(); got != before {
		t.Errorf("later: %s, before it %s", got, before)
	}
}

// A recording brings its own tasks and light: the rest can change.
func TestOfARecording(t *testing.T) {
	l, _, _, _, next := rig(t)
	r := New(config.Default(), Files{}, nil, nil, l.part("log", new(invalid.Errors)))
	if changes, err := r.Apply(t.Context(), next); err != nil || !slices.Equal(changes, []string{"log"}) ||
		!slices.Equal(l.parts, []string{"log debug"}) {
		t.Errorf("%q, %v, %s", changes, err, l)
	}
}
