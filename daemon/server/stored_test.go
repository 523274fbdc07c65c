package server

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/daemon/taskstore"
)

// wins is what is said where the file of tasks overrules the API.
const wins = "its configured description has changed since, and wins"

// withData is a site whose daemon has a data folder.
func withData(t *testing.T) *site {
	s := newSite(t)
	s.config("data: " + filepath.Join(s.dir, "data") + "\n")
	return s
}

func (s *site) storedPath() string { return filepath.Join(s.dir, "data", "tasks", "tasks.json") }

// stored reads what the daemon stored.
func (s *site) stored() *taskstore.State {
	s.t.Helper()
	data, err := os.ReadFile(s.storedPath())
	if err != nil {
		s.t.Fatal(err)
	}
	state, err := taskstore.Parse(data)
	if err != nil {
		s.t.Fatal(err)
	}
	return state
}

func groupTask(name, group string, rate float64) *facetdv1.Task {
	target := &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: group}}
	return &facetdv1.Task{Name: name, Target: target, RateHz: rate}
}

func (p *process) tasks() facetdv1.TaskServiceClient {
	return facetdv1.NewTaskServiceClient(p.dial(p.Addresses().GRPC))
}

func (p *process) create(task *facetdv1.Task) {
	p.t.Helper()
	if _, err := p.tasks().CreateTask(limited(p.t), &facetdv1.CreateTaskRequest{Task: task}); err != nil {
		p.t.Fatal(err)
	}
}

func (p *process) update(task *facetdv1.Task) {
	p.t.Helper()
	if _, err := p.tasks().UpdateTask(limited(p.t), &facetdv1.UpdateTaskRequest{Task: task}); err != nil {
		p.t.Fatal(err)
	}
}

func (p *process) remove(name string) {
	p.t.Helper()
	if _, err := p.tasks().DeleteTask(limited(p.t), &facetdv1.DeleteTaskRequest{Name: name}); err != nil {
		p.t.Fatal(err)
	}
}

// told are the texts of the events about stored tasks, the newest last.
func (p *process) told() string { return p.eventsOf(facetdv1.EventKind_EVENT_KIND_STORED_TASKS) }

func (p *process) runs(want string) {
	p.t.Helper()
	eventually(p.t, "the tasks run", func() bool { return p.Status().GetState() == facetdv1.State_STATE_RUNNING })
	if got := p.running(); got != want {
		p.t.Errorf("running %s, want %s", got, want)
	}
}

func (p *process) end() {
	p.t.Helper()
	if err := p.stop(); err != nil {
		p.t.Fatal(err)
	}
}

// What was set of a task between its jobs is there after a restart, until the task is another.
func TestParametersAreStored(t *testing.T) {
	s := withData(t)
	s.write("tasks.yaml", siteTasks(10, "bow", "bed"))
	p := s.start()
	moving := groupTask("extra", "bed", 3)
	moving.Views = []*facetdv1.View{{Name: "part", Window: &facetdv1.Window{Rows: 1, Columns: 1},
		Movable: &facetdv1.Movable{Row: &facetdv1.Bounds{High: 2}}}}
	p.create(moving)
	set := func(row uint32) {
		t.Helper()
		if _, err := p.tasks().SetTaskParameters(limited(t), &facetdv1.SetTaskParametersRequest{Task: "extra",
			Views: []*facetdv1.ViewParameters{{View: "part", Row: &row}}}); err != nil {
			t.Fatal(err)
		}
	}
	row := func() uint32 {
		t.Helper()
		list, err := p.tasks().ListTasks(limited(t), &facetdv1.ListTasksRequest{})
		if err != nil {
			t.Fatal(err)
		}
		for _, running := range list.GetTasks() {
			if running.GetTask().GetName() == "extra" {
				return running.GetParameters()[0].GetRow()
			}
		}
		t.Fatal("the task does not run")
		return 0
	}
	set(2)
	set(1)
	revision := s.stored().Revision
	eventually(t, "they are stored while it runs", func() bool {
		for _, e := range s.stored().Tasks {
			if e.Name == "extra" && len(e.Parameters) == 1 && e.Parameters[0].GetRow() == 1 {
				return true
			}
		}
		return false
	})
	set(2)
	p.end()

	p = s.start()
	p.runs("bed 10, bow 10, extra 3")
	if got := row(); got != 2 || p.told() != "" || s.stored().Revision != revision {
		t.Errorf("after a restart the window begins at row %d; told %s", got, p.told())
	}
	set(1)
	p.remove("extra")
	p.create(moving)
	p.end()

	p = s.start()
	p.runs("bed 10, bow 10, extra 3")
	if got := row(); got != 0 {
		t.Errorf("a task that was made anew has its window begin at row %d", got)
	}
}

// What came over the API is there after a restart; where the file of tasks has changed
// meanwhile, it wins, and says so.
func TestTasksAreStored(t *testing.T) {
	s := withData(t)
	s.write("tasks.yaml", siteTasks(10, "bow", "bed"))
	p := s.start()
	p.runs("bed 10, bow 10")
	p.create(groupTask("extra", "bed", 3))
	p.update(groupTask("bow", "bow", 7))
	p.remove("bed")
	p.create(groupTask("gone", "bed", 1))
	p.remove("gone")
	before := s.stored()
	for state, n := range map[string]float64{"configured": 0, "made": 1, "changed": 1, "removed": 1, "aside": 0} {
		if got := p.metric(`facetd_stored_tasks{state="` + state + `"}`); got != n {
			t.Errorf("%g tasks are %s, want %g", got, state, n)
		}
	}
	p.end()

	p = s.start()
	p.runs("bow 7, extra 3")
	if got := s.stored(); got.Revision != before.Revision || p.told() != "" {
		t.Errorf("revision %d after %d; told %s", got.Revision, before.Revision, p.told())
	}
	p.end()

	// Another layout of the file is no change of its tasks; another rate is.
	s.write("tasks.yaml", "# the same\n"+siteTasks(10, "bed", "bow"))
	p = s.start()
	p.runs("bow 7, extra 3")
	p.end()
	s.write("tasks.yaml", siteTasks(9, "bow", "bed"))
	p = s.start()
	p.runs("bed 9, bow 9, extra 3")
	if got := p.told(); !strings.Contains(got, "task bow was changed over the API; "+wins) ||
		!strings.Contains(got, "task bed was removed over the API") {
		t.Errorf("told %s", got)
	}
	eventually(t, "the next revision", func() bool { return s.stored().Revision == before.Revision+1 })
}

// A reload follows the same rule.
func TestAReloadAndStoredTasks(t *testing.T) {
	s := withData(t)
	s.write("tasks.yaml", siteTasks(10, "bow", "bed"))
	p := s.start()
	p.runs("bed 10, bow 10")
	p.create(groupTask("extra", "bed", 3))
	p.update(groupTask("bow", "bow", 7))
	p.update(groupTask("bed", "bed", 6))
	s.write("tasks.yaml", siteTasks(10, "bow")+"  - {name: bed, target: {group: bed}, rate_hz: 5}\n")
	if err := p.Reload(limited(t), s.read); err != nil {
		t.Fatal(err)
	}
	p.runs("bed 5, bow 7, extra 3")
	if got := p.told(); !strings.Contains(got, "task bed was changed over the API; "+wins) ||
		strings.Contains(got, "bow") || strings.Contains(got, "extra") {
		t.Errorf("told %s", got)
	}
	p.end()
	p = s.start()
	p.runs("bed 5, bow 7, extra 3")
	if n := strings.Count(p.told(), "\n"); n != 0 {
		t.Errorf("told again: %s", p.told())
	}
}

// A stored task that does not fit any more is kept aside and told of, the rest run; it comes
// back once it fits, and can be removed by its name.
func TestAStoredTaskThatDoesNotFit(t *testing.T) {
	s := withData(t)
	p := s.start()
	p.runs("bow 10")
	p.create(groupTask("extra", "bed", 3))
	p.end()
	array, err := os.ReadFile(filepath.Join(s.dir, "array.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	s.write("array.yaml", strings.ReplaceAll(string(array), "bed", "floor"))
	for range 2 {
		p = s.start()
		p.runs("bow 10")
		if got := p.told(); !strings.Contains(got, "stored task extra is kept aside") || !strings.Contains(got, "bed") {
			t.Errorf("told %s", got)
		}
		if got := p.metric(`facetd_stored_tasks{state="aside"}`); got != 1 {
			t.Errorf("%g tasks aside", got)
		}
		p.end()
	}
	s.write("array.yaml", string(array))
	p = s.start()
	p.runs("bow 10, extra 3")
	p.end()
	s.write("array.yaml", strings.ReplaceAll(string(array), "bed", "floor"))
	p = s.start()
	removal := &facetdv1.DeleteTaskRequest{Name: "extra", RequestId: "once"}
	first, err := p.tasks().DeleteTask(limited(t), removal)
	if err != nil {
		t.Fatal(err)
	}
	if got := s.stored(); len(got.Aside) != 0 {
		t.Errorf("still aside: %+v", got.Aside)
	}
	p.end()
	p = s.start()
	if again, err := p.tasks().DeleteTask(limited(t), removal); err != nil ||
		again.GetRevision() != first.GetRevision() || again.GetEffectiveBusNs() != first.GetEffectiveBusNs() {
		t.Errorf("a retry after a restart: %v %v, first %v", again, err, first)
	}
	if _, err := p.tasks().DeleteTask(limited(t), &facetdv1.DeleteTaskRequest{Name: "extra"}); err == nil {
		t.Error("it was removed twice")
	}
}

// A file that is damaged is moved away and told of, and the configured tasks run; one of a
// newer version is left alone, and the daemon does not start.
func TestStoredTasksThatCannotBeRead(t *testing.T) {
	s := withData(t)
	p := s.start()
	p.create(groupTask("extra", "bed", 3))
	p.end()
	data, err := os.ReadFile(s.storedPath())
	if err != nil {
		t.Fatal(err)
	}
	torn := data[:len(data)/2]
	if err := os.WriteFile(s.storedPath(), torn, 0o600); err != nil {
		t.Fatal(err)
	}
	p = s.start()
	p.runs("bow 10")
	if got := p.told(); !strings.Contains(got, "damaged") || !strings.Contains(got, "tasks.json.damaged-") {
		t.Errorf("told %s", got)
	}
	p.end()
	aside, err := filepath.Glob(s.storedPath() + ".damaged-*")
	if err != nil || len(aside) != 1 {
		t.Fatalf("%v, %v", aside, err)
	}
	if kept, err := os.ReadFile(aside[0]); err != nil || string(kept) != string(torn) {
		t.Errorf("kept %q, %v", kept, err)
	}

	// What a crash left half-written goes.
	half := filepath.Join(s.dir, "data", "tasks", fileio.TempPrefix+"half")
	if err := os.WriteFile(half, torn, 0o600); err != nil {
		t.Fatal(err)
	}
	s.start().end()
	if _, err := os.Stat(half); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%s is left: %v", half, err)
	}

	future := strings.Replace(string(data), `"version": 1`, `"version": 2`, 1)
	if err := os.WriteFile(s.storedPath(), []byte(future), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := s.read()
	if err != nil {
		t.Fatal(err)
	}
	var newer *taskstore.FutureError
	if _, err := New(Setup{Config: c}); !errors.As(err, &newer) || !strings.Contains(err.Error(), s.storedPath()) {
		t.Errorf("it starts with a file of version 2: %v", err)
	}
	if kept, err := os.ReadFile(s.storedPath()); err != nil || string(kept) != future {
		t.Errorf("the file of version 2 is now %q, %v", kept, err)
	}
}

// A disk that refuses costs no change, is reported, and is tried again.
func TestTasksThatCannotBeStored(t *testing.T) {
	s := withData(t)
	p := s.start()
	p.runs("bow 10")
	eventually(t, "the tasks are stored", func() bool { _, err := os.Stat(s.storedPath()); return err == nil })
	data := filepath.Join(s.dir, "data")
	if err := os.Rename(data, data+"-gone"); err != nil {
		t.Fatal(err)
	}
	p.create(groupTask("extra", "bed", 3))
	p.runs("bow 10, extra 3")
	if got := p.told(); !strings.Contains(got, "changes of the tasks are not stored") {
		t.Errorf("told %s", got)
	}
	if got := p.metric("facetd_unstored_task_changes"); got != 1 {
		t.Errorf("%g changes are not stored", got)
	}
	if err := os.Rename(data+"-gone", data); err != nil {
		t.Fatal(err)
	}
	p.remove("bow")
	if got := p.told(); !strings.Contains(got, "stored again") || p.metric("facetd_unstored_task_changes") != 0 {
		t.Errorf("told %s", got)
	}
	p.end()
	p = s.start()
	p.runs("extra 3")
}

// Without a data folder nothing is stored.
func TestNothingIsStoredWithoutAFolder(t *testing.T) {
	s := newSite(t)
	p := s.start()
	p.create(groupTask("extra", "bed", 3))
	p.end()
	p = s.start()
	p.runs("bow 10")
	if p.stored != nil || p.told() != "" {
		t.Errorf("told %s", p.told())
	}
}
