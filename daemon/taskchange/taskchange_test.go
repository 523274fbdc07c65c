package taskchange

import (
	"errors"
	"reflect"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/failure"
)

func task(name string, hz float64) *facetdv1.Task {
	return &facetdv1.Task{Name: name, RateHz: hz,
		Target: &facetdv1.Target{Chips: &facetdv1.Target_All{All: &facetdv1.AllChips{}}}}
}

func mask(paths ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: paths} }

func names(tasks []*facetdv1.Task) string {
	var out []string
	for _, t := range tasks {
		out = append(out, t.GetName())
	}
	return strings.Join(out, " ")
}

// Changed tasks keep their places, new ones come last, and what was given is not touched.
func TestChangesAreMadeTogether(t *testing.T) {
	running := []*facetdv1.Task{task("a", 1), task("b", 2), task("c", 3)}
	before := []*facetdv1.Task{task("a", 1), task("b", 2), task("c", 3)}
	r, err := Apply(running, 7, &facetdv1.TaskChanges{
		ExpectedRevision: proto.Uint64(7),
		Add:              []*facetdv1.Task{task("d", 4), task("e", 5)},
		Update: []*facetdv1.TaskUpdate{{Task: &facetdv1.Task{Name: "c", RateHz: 9}, UpdateMask: mask("rate_hz"),
			Etag: Etag(running[2])}},
		Remove: []*facetdv1.TaskRemoval{{Name: "a", Etag: Etag(running[0])}},
	})
	if err != nil {
		t.Fatal(err)
	}
	if names(r.Tasks) != "b c d e" || !proto.Equal(r.Tasks[1], task("c", 9)) {
		t.Errorf("tasks are %v", r.Tasks)
	}
	if want := []string{"", "update[0].task", "add[0]", "add[1]"}; !reflect.DeepEqual(r.Paths, want) {
		t.Errorf("paths are %q, want %q", r.Paths, want)
	}
	for i := range running {
		if !proto.Equal(running[i], before[i]) {
			t.Errorf("%v was changed", running[i])
		}
	}
	planner := invalid.Errors{{Path: "tasks[1].rate_hz"}, {Path: "tasks[0].x"}, {Path: "tasks[3]"},
		{Path: "tasks[9].x"}, {}, {Path: "tasks"}}
	var got invalid.Errors
	if !errors.As(r.Renamed(planner), &got) {
		t.Fatal("the errors were lost")
	}
	for i, want := range []string{"update[0].task.rate_hz", "tasks[0].x", "add[1]", "tasks[9].x", "", "add"} {
		if got[i].Path != want {
			t.Errorf("%q became %q, want %q", planner[i].Path, got[i].Path, want)
		}
	}
	if other := errors.New("other"); r.Renamed(other) != other {
		t.Error("another error was changed")
	}
}

func TestChangesThatAreRefused(t *testing.T) {
	running := []*facetdv1.Task{task("a", 1), task("b", 2)}
	update := func(u *facetdv1.TaskUpdate) *facetdv1.TaskChanges {
		return &facetdv1.TaskChanges{Update: []*facetdv1.TaskUpdate{u}}
	}
	for name, c := range map[string]struct {
		changes *facetdv1.TaskChanges
		want    error
		text    string
	}{
		"nothing": {nil, invalid.Errors{}, "there is nothing to change"},
		"twice": {&facetdv1.TaskChanges{Add: []*facetdv1.Task{task("x", 1)},
			Remove: []*facetdv1.TaskRemoval{{Name: "x"}}},
			invalid.Errors{}, `remove[0]: the task "x" is named in add[0] already`},
		"update of nothing": {update(&facetdv1.TaskUpdate{}), invalid.Errors{}, "update[0].task: there is no task"},
		"taken": {&facetdv1.TaskChanges{Add: []*facetdv1.Task{task("b", 1)}}, &failure.Exists{},
			`called "b"`},
		"absent": {update(&facetdv1.TaskUpdate{Task: task("c", 1)}), &failure.NotFound{}, `called "c"`},
		"absent removal": {&facetdv1.TaskChanges{Remove: []*facetdv1.TaskRemoval{{Name: "c"}}}, &failure.NotFound{},
			`called "c"`},
		"revision": {&facetdv1.TaskChanges{ExpectedRevision: proto.Uint64(0), Add: []*facetdv1.Task{task("c", 1)}},
			&failure.Stale{}, "at 3, not at 0"},
		"etag": {update(&facetdv1.TaskUpdate{Task: task("a", 2), Etag: Etag(task("a", 2))}), &failure.Stale{},
			Etag(running[0])},
		"etag of a removal": {&facetdv1.TaskChanges{Remove: []*facetdv1.TaskRemoval{{Name: "a", Etag: "x"}}},
			&failure.Stale{}, Etag(running[0])},
		"mask": {update(&facetdv1.TaskUpdate{Task: task("a", 2), UpdateMask: mask("rate_hz", "rate", "views.name",
			"target.what", "rate_hz.x", "")}), invalid.Errors{}, `update[0].update_mask.paths[1]: "rate"`},
	} {
		_, err := Apply(running, 3, c.changes)
		if err == nil || reflect.TypeOf(err) != reflect.TypeOf(c.want) || !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s: %T %v, want %T with %q", name, err, err, c.want, c.text)
		}
		var m invalid.Errors
		if name == "mask" && (!errors.As(err, &m) || len(m) != 5) {
			t.Errorf("mask: %d errors, want 5: %v", len(m), err)
		}
	}
}

// What a mask names is taken, set or not; the rest stays.
func TestMerge(t *testing.T) {
	old := task("a", 1)
	old.Deadline = durationpb.New(5)
	old.Views = []*facetdv1.View{{Name: "v"}}
	from := &facetdv1.Task{Name: "a", RateHz: 2, Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "g"}}}
	for _, c := range []struct {
		mask []string
		want *facetdv1.Task
	}{
		{nil, from},
		{[]string{"rate_hz"}, &facetdv1.Task{Name: "a", RateHz: 2, Target: old.Target, Deadline: old.Deadline,
			Views: old.Views}},
		{[]string{"target.group"}, &facetdv1.Task{Name: "a", RateHz: 1, Target: from.Target, Deadline: old.Deadline,
			Views: old.Views}},
		{[]string{"deadline.nanos"}, &facetdv1.Task{Name: "a", RateHz: 1, Target: old.Target,
			Deadline: &durationpb.Duration{}, Views: old.Views}},
		{[]string{"deadline", "views"}, &facetdv1.Task{Name: "a", RateHz: 1, Target: old.Target}},
		{[]string{"max_hold.nanos"}, old},
	} {
		kept := proto.CloneOf(old)
		got, errs := Merge(old, from, c.mask)
		if len(errs) > 0 || !proto.Equal(got, c.want) {
			t.Errorf("%v: %v %v, want %v", c.mask, got, errs, c.want)
		}
		if !proto.Equal(old, kept) {
			t.Fatalf("%v changed the task that was there", c.mask)
		}
	}
}

// TestMasksAreBounded: a mask of as many paths as a request has room for is one error, and costs no more than one.
func TestMasksAreBounded(t *testing.T) {
	wrong := func(n int) []string { return strings.Split(strings.Repeat("x,", n-1)+"x", ",") }
	if _, errs := Merge(task("a", 1), task("a", 2), wrong(mostPaths)); len(errs) != mostPaths {
		t.Errorf("%d errors of %d paths that are all wrong", len(errs), mostPaths)
	}
	many := wrong(300_000)
	var errs invalid.Errors
	costs := testing.AllocsPerRun(1, func() { _, errs = Merge(task("a", 1), task("a", 2), many) })
	if len(errs) != 1 || errs[0].Path != "update_mask.paths" || costs > 100 {
		t.Errorf("%d errors, the first %v, at %.0f allocations", len(errs), errs[:1], costs)
	}
}

func TestEtag(t *testing.T) {
	if a, b := Etag(task("a", 1)), Etag(task("a", 1)); a != b || len(a) != 2*etagBytes {
		t.Errorf("equal tasks have %q and %q", a, b)
	}
	if Etag(task("a", 1)) == Etag(task("a", 2)) {
		t.Error("other tasks have the same etag")
	}
}
