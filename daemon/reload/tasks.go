package reload

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

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
