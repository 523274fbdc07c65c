// Package reload applies a configuration to a daemon that runs, all of it or nothing: every
// step that can fail comes before anything live is touched. What the bus must change, the
// tasks and the light, changes in one instant on the goroutine that owns it; what follows
// cannot fail.
package reload

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/daemon/config"
)

// Limit is how long a reload may take; new tasks wait for an instant when no job is open.
const Limit = 30 * time.Second

// Bus is what a reload needs of the dispatcher.
type Bus interface {
	// EditTasks replaces the tasks, and calls applied on the goroutine that owns the bus in
	// the instant in which they become active; after an error neither has happened.
	EditTasks(ctx context.Context, edit func([]*facetdv1.Task) ([]*facetdv1.Task, error),
		applied func()) (effective bus.Time, err error)
	// Do runs f on that goroutine between two segments. A caller that ctx takes away may
	// leave an f behind that still runs.
	Do(ctx context.Context, f func() error) error
}

// Files are what the files of a configuration hold, as far as a reload can change it.
type Files struct {
	Tasks []*facetdv1.Task
	// Light identifies the light: the scene with a digest of its pictures.
	Light string
	// SetLight makes it the light. It is called on the goroutine that owns the bus, and
	// cannot fail.
	SetLight func()
	// Applied, where set, is called once all of them are applied.
	Applied func()
}

// Change is what a part of the daemon does about a configuration.
type Change struct {
	// Say names what changes in a few words; empty where nothing does.
	Say string
	// Commit makes the change, and cannot fail.
	Commit func()
}

// Part is a part of the daemon that can apply a configuration while it runs. It reads
// and checks what the configuration names, and changes nothing before Commit.
type Part func(next *config.Config) (Change, invalid.Errors)

// Reload knows the active configuration. Its methods may be called from any goroutine.
type Reload struct {
	bus   Bus // nil where a recording is played, which brings tasks and light along
	read  func(next *config.Config) (Files, invalid.Errors)
	parts []Part

	mu     sync.Mutex // one reload at a time; guards what follows
	active config.Config
	files  Files
}

// New returns the reload of a daemon that runs a configuration with what its files hold.
// read reads and checks the files of another. bus and read are nil where a recording is
// played.
func New(active config.Config, files Files, bus Bus, read func(next *config.Config) (Files, invalid.Errors),
	parts ...Part) *Reload {
	return &Reload{active: active, files: files, bus: bus, read: read, parts: parts}
}

// Apply applies a configuration, and names what changed in a few words. Of the tasks only the
// difference between the files counts: what came over the API stays. Errors: invalid.Errors,
// *scheduler.RefusalError, ctx's, the bus's; after any of them all is as it was.
func (r *Reload) Apply(ctx context.Context, next config.Config) (changes []string, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if m := append(next.Validate(), r.active.FixedChanged(&next)...); len(m) > 0 {
		return nil, m
	}
	files, commits, changes, m := r.prepare(&next)
	if len(m) > 0 {
		return nil, m
	}
	edit := taskChanges(r.files.Tasks, files.Tasks)
	if !edit.empty() {
		changes = append(changes, edit.String())
	}
	setLight := func() {}
	if files.Light != r.files.Light {
		changes = append(changes, "scene "+next.Scene)
		setLight = files.SetLight
	}
	if err := r.changeBus(ctx, edit, files.Light != r.files.Light, setLight); err != nil {
		return nil, err
	}
	for _, commit := range commits {
		commit()
	}
	if files.Applied != nil {
		files.Applied()
	}
	r.active, r.files = next, files
	return changes, nil
}

// prepare reads everything that the configuration names, and collects what is wrong with it.
func (r *Reload) prepare(next *config.Config) (files Files, commits []func(), changes []string, m invalid.Errors) {
	files = r.files
	if r.bus != nil {
		files, m = r.read(next)
	}
	for _, part := range r.parts {
		c, wrong := part(next)
		m = append(m, wrong...)
		commits = append(commits, c.Commit)
		if c.Say != "" {
			changes = append(changes, c.Say)
		}
	}
	return files, commits, changes, m
}

// changeBus changes the tasks and the light in one instant.
func (r *Reload) changeBus(ctx context.Context, edit taskEdit, lit bool, setLight func()) error {
	switch {
	case !edit.empty():
		_, err := r.bus.EditTasks(ctx, edit.apply, setLight)
		if errors.Is(err, context.DeadlineExceeded) {
			return fmt.Errorf("the tasks found no instant to change within %v: %w", Limit, err)
		}
		return err
	case lit:
		var once onceOrNever
		if err := r.bus.Do(ctx, func() error { once.do(setLight); return nil }); err != nil && once.never() {
			return err
		}
	}
	return nil
}

// onceOrNever decides whether something was done, between the one who does it and the one who gives
// up waiting for it.
type onceOrNever struct {
	mu          sync.Mutex
	done, given bool
}

func (o *onceOrNever) do(f func()) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if !o.given {
		f()
		o.done = true
	}
}

// never gives up waiting, and reports whether it was not done: then it never will be.
func (o *onceOrNever) never() bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.given = !o.done
	return o.given
}
