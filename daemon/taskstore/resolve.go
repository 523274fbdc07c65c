package taskstore

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/taskchange"
)

// Note is something about a stored task that an operator must know.
type Note struct {
	Task string
	Text string
	// Stored is the task as it was stored.
	Stored *facetdv1.Task
}

// Resolved is what runs at a start.
type Resolved struct {
	Tasks []*facetdv1.Task
	Notes []Note
	// State is what is to be stored from then on.
	State *State
}

// candidate is a stored task that may run.
type candidate struct {
	entry   Entry
	at      int            // place among the slots
	instead *facetdv1.Task // what runs in its stead; nil: nothing
}

// resolution works out what runs.
type resolution struct {
	configured []*facetdv1.Task
	seen       map[string]bool  // configured ones that were dealt with
	slots      []*facetdv1.Task // nil: none
	candidates []candidate
	aside      []Entry
	notes      []Note
}

// Resolve works out what runs of what is stored and what is configured. What is stored wins,
// unless the configured description of that task has changed since: then that wins, and a
// note says so. fits says what is wrong with a set of tasks; where stored ones do not fit, they
// are tried in the order in which they were made, and those that do not fit are kept aside.
// The error is what fits says of the tasks without them. stored is nil at a first start.
func Resolve(stored *State, configured []*facetdv1.Task, fits func([]*facetdv1.Task) error) (*Resolved, error) {
	if stored == nil {
		stored = &State{}
	}
	r := &resolution{configured: configured, seen: map[string]bool{}}
	for _, e := range stored.Tasks {
		r.place(e)
	}
	for _, e := range stored.Aside {
		r.retry(e)
	}
	for _, t := range configured {
		if !r.seen[t.GetName()] {
			r.slots = append(r.slots, t)
		}
	}
	if err := r.choose(fits); err != nil {
		return nil, err
	}
	tasks := slices.DeleteFunc(slices.Clone(r.slots), func(t *facetdv1.Task) bool { return t == nil })
	state, changed := after(stored, configured, tasks, r.aside, stored.Revision+1)
	if !changed {
		state.Revision = stored.Revision
	}
	return &Resolved{Tasks: tasks, Notes: r.notes, State: state}, nil
}

// find returns the task of a name, or nil.
func find(list []*facetdv1.Task, name string) *facetdv1.Task {
	if i := slices.IndexFunc(list, func(t *facetdv1.Task) bool { return t.GetName() == name }); i >= 0 {
		return list[i]
	}
	return nil
}

// place gives a stored task that ran, or was removed, its place.
func (r *resolution) place(e Entry) {
	now := find(r.configured, e.Name)
	r.seen[e.Name] = true
	switch {
	case e.Kind == Configured || e.Task != nil && proto.Equal(e.Task, now):
		r.slots = append(r.slots, now)
	case e.Kind == Removed && (now == nil || Digest(now) == e.Configured):
	case Digest(now) != e.Configured:
		r.overrule(e, now)
		r.slots = append(r.slots, now)
	default:
		r.candidates = append(r.candidates, candidate{e, len(r.slots), now})
		r.slots = append(r.slots, e.Task)
	}
}

// retry tries a task again that was kept aside.
func (r *resolution) retry(e Entry) {
	now := find(r.configured, e.Name)
	at := slices.IndexFunc(r.slots, func(t *facetdv1.Task) bool { return t.GetName() == e.Name })
	switch {
	case Digest(now) != e.Configured:
		r.overrule(e, now)
	case e.Kind == Made && at >= 0:
		// Another of the name was made since.
	case at >= 0:
		r.candidates = append(r.candidates, candidate{e, at, r.slots[at]})
		r.slots[at] = e.Task
	default:
		r.candidates = append(r.candidates, candidate{e, len(r.slots), nil})
		r.slots = append(r.slots, e.Task)
	}
}

func (r *resolution) overrule(e Entry, now *facetdv1.Task) {
	r.notes = append(r.notes, overruling(&e, now))
}

// overruling says that the configuration wins over the API.
func overruling(e *Entry, now *facetdv1.Task) Note {
	what := "its configured description has changed since, and wins"
	if now == nil {
		what = "it is no longer configured, and does not run"
	}
	done := map[Kind]string{Made: "made", Changed: "changed", Removed: "removed"}[e.Kind]
	return Note{e.Name, fmt.Sprintf("task %s was %s over the API; %s", e.Name, done, what), e.Task}
}

// setAside keeps a task that does not run.
func (r *resolution) setAside(e Entry, reason string) {
	e.Reason = reason
	r.aside = append(r.aside, e)
	said := fmt.Sprintf("stored task %s is kept aside and tried again at the next start: %s", e.Name, reason)
	r.notes = append(r.notes, Note{e.Name, said, e.Task})
}

// choose leaves those candidates among the slots that fit.
func (r *resolution) choose(fits func([]*facetdv1.Task) error) error {
	if len(r.candidates) == 0 || fits(r.running()) == nil {
		return nil
	}
	for _, c := range r.candidates {
		r.slots[c.at] = c.instead
	}
	whole := fits(r.running())
	slices.SortStableFunc(r.candidates, func(a, b candidate) int {
		switch {
		case a.entry.Generation < b.entry.Generation:
			return -1
		case a.entry.Generation > b.entry.Generation:
			return 1
		}
		return 0
	})
	for _, c := range r.candidates {
		err := fits([]*facetdv1.Task{c.entry.Task}) // by itself: the reason is about it alone
		if err == nil {
			r.slots[c.at] = c.entry.Task
			err = fits(r.running())
		}
		if err != nil {
			r.slots[c.at] = c.instead
			r.setAside(c.entry, err.Error())
			continue
		}
		whole = nil
	}
	return whole
}

func (r *resolution) running() []*facetdv1.Task {
	return slices.DeleteFunc(slices.Clone(r.slots), func(t *facetdv1.Task) bool { return t == nil })
}

// after is what is stored once tasks run in a revision, and whether it is something else. Tasks that are as they were,
// but for a pause, keep their generation.
func after(stored *State, configured, running []*facetdv1.Task, aside []Entry, revision uint64) (*State, bool) {
	was := map[string]Entry{}
	for _, e := range stored.Tasks {
		was[e.Name] = e
	}
	next := &State{Revision: revision, Aside: aside, Requests: stored.Requests}
	changed := stored.Revision == 0
	keep := func(e Entry) {
		old, known := was[e.Name]
		changed = changed || !known || !sameTask(&old, &e, Digest)
		if known && sameTask(&old, &e, digestOfPlanned) {
			e.Generation, e.Parameters = old.Generation, old.Parameters
		} else {
			e.Generation = next.Revision
		}
		delete(was, e.Name)
		next.Tasks = append(next.Tasks, e)
	}
	for _, t := range running {
		keep(entryOf(t, find(configured, t.GetName())))
	}
	for _, t := range configured {
		if find(running, t.GetName()) == nil {
			keep(Entry{Name: t.GetName(), Kind: Removed, Configured: Digest(t)})
		}
	}
	return next, changed || len(was) > 0
}

// entryOf is the entry of a task that runs, without its generation.
func entryOf(t, configured *facetdv1.Task) Entry {
	e := Entry{Name: t.GetName(), Kind: Changed, Configured: Digest(configured), Task: t}
	switch {
	case configured == nil:
		e.Kind = Made
	case proto.Equal(t, configured):
		e.Kind, e.Task = Configured, nil
	}
	return e
}

// sameTask reports whether two entries describe the same task by a digest, wherever it came from.
func sameTask(a, b *Entry, digest func(*facetdv1.Task) string) bool {
	if (a.Kind == Removed) != (b.Kind == Removed) {
		return false
	}
	return a.Kind == Removed || a.effective(digest) == b.effective(digest)
}

// effective is the digest of the task that runs.
func (e *Entry) effective(digest func(*facetdv1.Task) string) string {
	if e.Task != nil {
		return digest(e.Task)
	}
	return e.Configured
}

// digestOfPlanned is that of a task whether it is paused or not: its jobs are counted on.
func digestOfPlanned(t *facetdv1.Task) string { return Digest(taskchange.Unpaused(t)) }

// text is a task for an event.
func text(t *facetdv1.Task) string {
	if t == nil {
		return ""
	}
	out, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(t)
	if err != nil {
		return err.Error()
	}
	return string(out)
}
