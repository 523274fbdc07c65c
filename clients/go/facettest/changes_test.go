package facettest_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
	"facetd.example/clients/go/facettest"
)

// Several changes are made at once or not at all, once however often they are sent, and not where somebody else was
// first.
func TestChangesMadeTogether(t *testing.T) {
	c := facettest.Start(t, facettest.Demo, facettest.Demo)
	changes := &facetdv1.TaskChanges{ExpectedRevision: proto.Uint64(1),
		Add:    []*facetdv1.Task{{Name: "look", Target: facet.Chips("bow-comb"), RateHz: 2}},
		Remove: []*facetdv1.TaskRemoval{{Name: "comb"}}}
	first, err := c.ApplyTasks(t.Context(), changes, "once")
	if err != nil {
		t.Fatal(err)
	}
	again, err := c.ApplyTasks(t.Context(), changes, "once")
	if err != nil || !proto.Equal(first, again) || first.GetRevision() != 2 {
		t.Errorf("first %v, again %v, %v", first, again, err)
	}
	_, err = c.ApplyTasks(t.Context(), changes, "")
	if !facet.IsConflict(err) {
		t.Errorf("changes for a revision that is over: %v", err)
	}
	tasks, err := c.Tasks(t.Context())
	var names []string
	for _, task := range tasks {
		names = append(names, task.GetTask().GetName())
	}
	if err != nil || !slices.Equal(names, []string{"wall", "bed", "bow", "look"}) {
		t.Errorf("tasks %v, %v", names, err)
	}
	if err := c.RemoveTask(t.Context(), "comb"); err == nil || facet.IsConflict(err) {
		t.Errorf("a task that is not there was removed: %v", err)
	}
}

// A trigger says which job it releases; its frames come in the stream. One that comes too soon is refused by name.
func TestTriggeredJobs(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo})
	if _, err := a.Client.AddTask(t.Context(), &facetdv1.Task{Name: "flash", Target: facet.Chips("bow-comb"),
		LeastInterval: durationpb.New(500 * time.Millisecond)}); err != nil {
		t.Fatal(err)
	}
	stream, err := a.Client.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{"flash"}})
	if err != nil {
		t.Fatal(err)
	}
	defer stream.Close()
	told, err := a.Client.Trigger(t.Context(), "flash")
	if err != nil {
		t.Fatal(err)
	}
	_, err = a.Client.Trigger(t.Context(), "flash")
	var refused *facet.Error
	if !errors.As(err, &refused) || !slices.ContainsFunc(refused.Conditions,
		func(c facet.Condition) bool { return c.Type == "TOO_SOON" }) {
		t.Errorf("triggered again at once: %v", err)
	}
	set, err := stream.Next()
	if err != nil || set.Job() != told.GetJob() || set.Late() || set.Failure() != "" {
		t.Errorf("job %d of %v, %v", told.GetJob(), set.Message, err)
	}
}

// Bus time waits for everybody who takes part, and for nobody who has left.
func TestParticipantsLeave(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo, Listen: "127.0.0.1:0"})
	other, err := facet.Connect(a.Address(), facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	l, err := other.JoinLockstep(t.Context(), "other")
	if err != nil {
		t.Fatal(err)
	}
	taking := func() int {
		status, err := other.Status(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return len(status.GetLockstep().GetParticipants())
	}
	if n := taking(); n != 1 {
		t.Errorf("%d participants beside the test", n)
	}
	if err := l.Leave(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := taking(); n != 0 {
		t.Errorf("%d participants beside the test, and one has left", n)
	}
	a.Advance(50 * time.Millisecond)
	if err := l.Advance(t.Context(), 60*time.Millisecond); err == nil || a.Now() != 50*time.Millisecond {
		t.Errorf("at %v, let on by somebody who has left: %v", a.Now(), err)
	}
}

// How long a capture may wait is told beforehand: none takes longer, and none is made by asking.
func TestCapturesForeseen(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo})
	told, err := a.Client.PreviewCapture(t.Context(), facet.Chips("bow-comb"))
	if err != nil || told.GetWaiting() != 0 || told.GetWorstEndNs() < told.GetJobNs() || told.GetJobNs() <= 0 {
		t.Fatalf("%v, %v", told, err)
	}
	for range 20 {
		a.Advance(7 * time.Millisecond)
		before := a.Now()
		set, err := a.Client.Capture(t.Context(), facet.Chips("bow-comb"), facet.CaptureOptions{})
		if err != nil {
			t.Fatal(err)
		}
		// Bus time moves on while the call is on its way, by as many jobs as that takes the host: what was told
		// counts from when the daemon was asked, which is the release.
		asked := time.Duration(set.Message.GetReleaseBusNs())
		if asked < before {
			t.Errorf("asked for at %v, before the call at %v", asked, before)
		}
		if took := time.Duration(set.Message.GetFinishBusNs()) - asked; took > time.Duration(told.GetWorstEndNs()) {
			t.Errorf("asked for at %v, a capture took %v; %v was told", asked, took,
				time.Duration(told.GetWorstEndNs()))
		}
	}
}
