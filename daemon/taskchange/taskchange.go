// Package taskchange works out what a set of changes makes of the tasks: all of them, or an error that says why not.
//
// It is pure. Whether the tasks fit is for the planner to say.
package taskchange

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/failure"
)

// etagBytes is how much of a digest an etag has: enough that no two descriptions of one task share it.
const etagBytes = 12

// Unpaused is a task as it is planned: whether it is paused or not it has its place in the timetable.
func Unpaused(t *facetdv1.Task) *facetdv1.Task {
	if !t.GetPaused() {
		return t
	}
	t = proto.CloneOf(t)
	t.Paused = false
	return t
}

// Etag stands for a task's description: equal ones have the same, whatever came between them.
func Etag(t *facetdv1.Task) string {
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(t)
	if err != nil {
		return "" // a text that is not UTF-8, which no parser lets through
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:etagBytes])
}

// Result is what changes make of the tasks.
type Result struct {
	// Tasks that are to run, in order: changed ones keep their places, and new ones come last.
	Tasks []*facetdv1.Task
	// Paths are where in the changes each of Tasks stands, such as "add[0]"; empty for those that are not changed.
	Paths []string
}

// Apply makes changes to the tasks that run at a revision. Neither is changed. A task may be named once. Errors:
// invalid.Errors with paths in the changes, *failure.NotFound, *failure.Exists, *failure.Stale.
func Apply(running []*facetdv1.Task, revision uint64, c *facetdv1.TaskChanges) (*Result, error) {
	if errs := check(c); len(errs) > 0 {
		return nil, errs
	}
	if c.ExpectedRevision != nil && c.GetExpectedRevision() != revision {
		return nil, &failure.Stale{What: "revision of the tasks",
			Given:   strconv.FormatUint(c.GetExpectedRevision(), 10),
			Current: strconv.FormatUint(revision, 10)}
	}
	r := &Result{Tasks: slices.Clone(running), Paths: make([]string, len(running))}
	for i, u := range c.GetUpdate() {
		if err := r.update(u, invalid.Index("update", i)); err != nil {
			return nil, err
		}
	}
	for _, rem := range c.GetRemove() {
		at, err := r.find(rem.GetName(), rem.GetEtag())
		if err != nil {
			return nil, err
		}
		r.Tasks, r.Paths = slices.Delete(r.Tasks, at, at+1), slices.Delete(r.Paths, at, at+1)
	}
	for i, t := range c.GetAdd() {
		if slices.ContainsFunc(running, func(x *facetdv1.Task) bool { return x.GetName() == t.GetName() }) {
			return nil, &failure.Exists{What: "task", Name: t.GetName()}
		}
		r.Tasks, r.Paths = append(r.Tasks, t), append(r.Paths, invalid.Index("add", i))
	}
	return r, nil
}

// check finds what is wrong with changes whatever runs.
func check(c *facetdv1.TaskChanges) invalid.Errors {
	var m invalid.Errors
	named := map[string]string{}
	name := func(path, name string) {
		if first, twice := named[name]; twice {
			m.Add(path, fmt.Sprintf("the task %q is named in %s already", name, first), "name each task once")
		}
		named[name] = path
	}
	for i, t := range c.GetAdd() {
		name(invalid.Index("add", i), t.GetName())
	}
	for i, u := range c.GetUpdate() {
		path := invalid.Index("update", i)
		if u.GetTask() == nil {
			m.Add(path+".task", "there is no task", "describe one")
			continue
		}
		name(path, u.GetTask().GetName())
	}
	for i, r := range c.GetRemove() {
		name(invalid.Index("remove", i), r.GetName())
	}
	if len(named) == 0 && len(m) == 0 {
		m.Add("", "there is nothing to change", "name tasks to add, to update or to remove")
	}
	return m
}

// find returns the place of a task that is as its caller knows it.
func (r *Result) find(name, etag string) (int, error) {
	i := slices.IndexFunc(r.Tasks, func(t *facetdv1.Task) bool { return t.GetName() == name })
	if i < 0 {
		return 0, &failure.NotFound{What: "task", Name: name}
	}
	if current := Etag(r.Tasks[i]); etag != "" && etag != current {
		return 0, &failure.Stale{What: "task", Name: name, Given: etag, Current: current}
	}
	return i, nil
}

func (r *Result) update(u *facetdv1.TaskUpdate, path string) error {
	i, err := r.find(u.GetTask().GetName(), u.GetEtag())
	if err != nil {
		return err
	}
	next, errs := Merge(r.Tasks[i], u.GetTask(), u.GetUpdateMask().GetPaths())
	if len(errs) > 0 {
		return errs.Under(path)
	}
	r.Tasks[i], r.Paths[i] = next, path+".task"
	return nil
}

// Renamed gives the errors of the planner, which counts the tasks of Result as "tasks[4].rate_hz", paths in the
// changes.
func (r *Result) Renamed(err error) error {
	var m invalid.Errors
	if !errors.As(err, &m) {
		return err
	}
	out := slices.Clone(m)
	for i := range out {
		rest, is := strings.CutPrefix(out[i].Path, "tasks[")
		number, tail, closed := strings.Cut(rest, "]")
		n, err := strconv.Atoi(number)
		if is && closed && err == nil && n < len(r.Paths) && r.Paths[n] != "" {
			out[i].Path = r.Paths[n] + tail
		} else if out[i].Path == "tasks" && len(r.Paths) > 0 {
			out[i].Path = "add" // that they are too many
		}
	}
	return out
}
