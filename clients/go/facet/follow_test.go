package facet_test

import (
	"errors"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
)

func comb(rate float64) *facetdv1.Task {
	return &facetdv1.Task{Name: "extra", RateHz: rate,
		Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "crown"}}}
}

// TestTasksThatBecomeOthers: a stream says so of the first frame set of a task that was changed, or removed and made
// anew, and counts its jobs from the first of that generation.
func TestTasksThatBecomeOthers(t *testing.T) {
	at, _ := daemon(t, "127.0.0.1:0")
	c, err := facet.Connect(at, facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	tasks := facetdv1.NewTaskServiceClient(c.Conn())
	if _, err := tasks.CreateTask(t.Context(), &facetdv1.CreateTaskRequest{Task: comb(5)}); err != nil {
		t.Fatal(err)
	}
	s, err := c.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{"extra"}, Queue: 100})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	next := func() *facet.FrameSet {
		t.Helper()
		set, err := s.Next()
		if err != nil {
			t.Fatal(err)
		}
		return set
	}
	first := next()
	if first.Gap.Any() {
		t.Errorf("the first: %v", first.Gap)
	}
	if _, err := tasks.UpdateTask(t.Context(), &facetdv1.UpdateTaskRequest{Task: comb(6)}); err != nil {
		t.Fatal(err)
	}
	until := func(replaced bool) *facet.FrameSet {
		t.Helper()
		for range 100 {
			set := next()
			if set.Gap.Replaced == replaced {
				return set
			}
			if set.Gap.Any() {
				t.Fatalf("before: %v", set.Gap)
			}
		}
		t.Fatal("the task never becomes another")
		return nil
	}
	changed := until(true)
	if g := changed.Gap; g.MissingJobs > 0 || g.Restarted || g.Reconnects > 0 || changed.Job() <= first.Job() {
		t.Errorf("job %d after the change: %v", changed.Job(), g)
	}
	if g := next().Gap; g.Any() {
		t.Errorf("the next: %v", g)
	}
	if _, err := tasks.DeleteTask(t.Context(), &facetdv1.DeleteTaskRequest{Name: "extra"}); err != nil {
		t.Fatal(err)
	}
	if _, err := tasks.CreateTask(t.Context(), &facetdv1.CreateTaskRequest{Task: comb(6)}); err != nil {
		t.Fatal(err)
	}
	if again := until(true); again.Job() != 0 || again.Gap.MissingJobs > 0 {
		t.Errorf("job %d of the task made anew: %v", again.Job(), again.Gap)
	}
}

// TestASilentDaemon: a daemon that says nothing while a frame set is waited for counts as gone.
func TestASilentDaemon(t *testing.T) {
	c, err := facet.Connect(serve(t, &canned{}), facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	s, err := c.Subscribe(t.Context(), facet.StreamOptions{Heartbeat: 50 * time.Millisecond,
		Retry: facet.Retry{Off: true}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	_, err = s.Next()
	var e *facet.Error
	if !errors.As(err, &e) || e.Code != codes.Unavailable || e.Message != "nothing was heard of the daemon for 150ms" {
		t.Errorf("it ends with %v", err)
	}
}

// TestMissedOverConnections: the daemon counts what was missed since the last frame set that was received, and a
// connection that broke before it brought one adds nothing to that. A stream that the daemon ends, or does not
// begin, is opened again.
func TestMissedOverConnections(t *testing.T) {
	begun := func(ended, missed uint64, resumed bool) *facetdv1.FollowBegun {
		return &facetdv1.FollowBegun{Identity: &facetdv1.Identity{InstanceId: "canned"}, SameInstance: resumed,
			Tasks: []*facetdv1.FollowedTask{
				{Task: "t", Generation: 1, JobsEnded: ended, NextJob: &ended, Resumed: resumed, Missed: missed}}}
	}
	set := func(job uint64) *facetdv1.FrameSet {
		return &facetdv1.FrameSet{Task: "t", TaskGeneration: 1, Job: job}
	}
	c, err := facet.Connect(serve(t, &canned{
		begins: []*facetdv1.FollowBegun{begun(4, 0, false), begun(7, 2, true), nil, begun(9, 4, true)},
		sets:   map[int]*facetdv1.FrameSet{0: set(4), 3: set(9)}}), facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	s, err := c.Subscribe(t.Context(), facet.StreamOptions{Heartbeat: 50 * time.Millisecond,
		Retry: facet.Retry{First: time.Millisecond}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if first, err := s.Next(); err != nil || first.Gap.Any() {
		t.Fatalf("the first: %v, %v", first, err)
	}
	second, err := s.Next()
	if err != nil {
		t.Fatal(err)
	}
	if g := second.Gap; second.Job() != 9 || g.MissingJobs != 4 || g.Reconnects != 2 {
		t.Errorf("job %d: %v", second.Job(), g)
	}
}

// TestTasksOverConnections: what ends before the first frame set of a task counts from the beginning of the stream, and
// a task that is removed while there is no connection and made later is another one.
func TestTasksOverConnections(t *testing.T) {
	begun := func(tasks ...*facetdv1.FollowedTask) *facetdv1.FollowBegun {
		for _, t := range tasks {
			t.NextJob = &t.JobsEnded
		}
		return &facetdv1.FollowBegun{Identity: &facetdv1.Identity{InstanceId: "canned"}, SameInstance: true,
			Tasks: tasks}
	}
	c, err := facet.Connect(serve(t, &canned{
		begins: []*facetdv1.FollowBegun{
			begun(&facetdv1.FollowedTask{Task: "u", Generation: 1, JobsEnded: 3}),
			begun(&facetdv1.FollowedTask{Task: "t", Generation: 2}),
			begun(&facetdv1.FollowedTask{Task: "t", Generation: 2, JobsEnded: 5},
				&facetdv1.FollowedTask{Task: "u", Generation: 3, JobsEnded: 2}),
			begun(&facetdv1.FollowedTask{Task: "t", Generation: 2, JobsEnded: 6, Resumed: true, Missed: 0},
				&facetdv1.FollowedTask{Task: "u", Generation: 3, JobsEnded: 4, Resumed: true, Missed: 2})},
		sets: map[int]*facetdv1.FrameSet{2: {Task: "t", TaskGeneration: 2, Job: 5},
			3: {Task: "u", TaskGeneration: 3, Job: 4}}}), facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	s, err := c.Subscribe(t.Context(), facet.StreamOptions{Heartbeat: 50 * time.Millisecond,
		Retry: facet.Retry{First: time.Millisecond}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	first, err := s.Next()
	if err != nil {
		t.Fatal(err)
	}
	if g := first.Gap; first.Job() != 5 || g.MissingJobs != 5 || g.Replaced || g.Restarted || g.Reconnects != 2 {
		t.Errorf("t, job %d: %v", first.Job(), g)
	}
	second, err := s.Next()
	if err != nil {
		t.Fatal(err)
	}
	if g := second.Gap; second.Job() != 4 || g.MissingJobs != 2 || !g.Replaced || g.Restarted {
		t.Errorf("u, job %d: %v", second.Job(), g)
	}
}
