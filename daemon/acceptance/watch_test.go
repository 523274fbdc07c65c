package acceptance

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// watcher is a client that follows a task, and says so line by line.
type watcher struct {
	name  string
	lines chan string

	// What it was told last.
	instance        string
	generation, job uint64
	same, resumed   int
	change          int
	sets            int // of this generation, in this instance
}

// read takes one line, and judges it: a frame set comes only of the generation that the stream has told of, and its
// jobs rise.
func (w *watcher) read(line string) error {
	var instance string
	var generation, job, missed uint64
	var same, resumed, change int
	switch {
	case line == "broken":
	case scan(line, "begun %s %d %d %d %d", &instance, &same, &generation, &resumed, &missed):
		if (same == 1) != (instance == w.instance) || resumed == 1 && (same == 0 || generation != w.generation) {
			return fmt.Errorf("after %s, generation %d", w.instance, w.generation)
		}
		w.instance, w.same, w.resumed, w.generation, w.change = instance, same, resumed, generation, 0
		if resumed == 0 {
			w.sets, w.job = 0, 0
		}
	case scan(line, "notice %d %d", &change, &generation):
		if change != int(facetdv1.TaskChange_TASK_CHANGE_REMOVED) && generation <= w.generation {
			return fmt.Errorf("after generation %d", w.generation)
		}
		w.change, w.generation, w.sets, w.job = change, generation, 0, 0
	case scan(line, "set %d %d", &generation, &job):
		if generation != w.generation || w.sets > 0 && job <= w.job {
			return fmt.Errorf("generation %d was told, job %d was before", w.generation, w.job)
		}
		w.sets, w.job = w.sets+1, job
	default:
		return fmt.Errorf("it is none of the lines that there are")
	}
	return nil
}

func scan(line, form string, into ...any) bool {
	n, err := fmt.Sscanf(line, form, into...)
	return err == nil && n == len(into)
}

// until reads until something is so.
func (w *watcher) until(t *testing.T, what string, so func() bool) {
	t.Helper()
	end := time.After(patience)
	for !so() {
		select {
		case line, ok := <-w.lines:
			if !ok {
				t.Fatalf("%s has ended before %s", w.name, what)
			}
			if err := w.read(line); err != nil {
				t.Fatalf("%s, before %s: %q: %v", w.name, what, line, err)
			}
		case <-end:
			t.Fatalf("%s: %s is not told of; it has %+v", w.name, what, *w)
		}
	}
}

func watching(name string, out io.Reader) *watcher {
	w := &watcher{name: name, lines: make(chan string, 1<<16)}
	go func() {
		defer close(w.lines)
		for s := bufio.NewScanner(out); s.Scan(); {
			w.lines <- s.Text()
		}
	}()
	return w
}

// TestRestartsAreRecognised: clients made from the schema alone, in Go, Python and node, learn in the stream that their
// task was changed, that it was removed and made anew, and that their daemon is another run of it, and no frame set
// comes of a task that they were not told of.
func TestRestartsAreRecognised(t *testing.T) {
	if raceDetector {
		t.Skip("the race detector slows the readers, not the daemon, which is a process of its own")
	}
	t.Parallel()
	dir := t.TempDir()
	tasks := filepath.Join(dir, "tasks.yaml")
	if err := os.WriteFile(tasks, []byte("tasks:\n- {name: fast, target: {all: {}}, rate_hz: 50}\n"),
		0o600); err != nil {
		t.Fatal(err)
	}
	args := []string{"--array", "testdata/one-fast.yaml", "--tasks", tasks, "--scene", "uniform:200"}
	d := start(t, args...)
	schema := descriptors(t, dir)
	out, in := io.Pipe()
	go watchGo(t.Context(), d.grpc, in)
	t.Cleanup(func() { in.Close() })
	watchers := []*watcher{watching("go", out)}
	for name, program := range strangers(t, "watch") {
		cmd := program([]string{schema, d.grpc, "fast"})
		cmd.Stderr = os.Stderr
		said, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
		watchers = append(watchers, watching(name, said))
	}
	all := func(what string, so func(w *watcher) bool) {
		t.Helper()
		for _, w := range watchers {
			w.until(t, what, func() bool { return so(w) })
		}
	}
	all("the first frame sets", func(w *watcher) bool { return w.sets > 2 })

	service, ctx := facetdv1.NewTaskServiceClient(dial(t, d.grpc)), within(t, patience)
	task := &facetdv1.Task{Name: "fast", RateHz: 40,
		Target: &facetdv1.Target{Chips: &facetdv1.Target_All{All: &facetdv1.AllChips{}}}}
	changed, err := service.UpdateTask(ctx, &facetdv1.UpdateTaskRequest{Task: task,
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"rate_hz"}}})
	if err != nil {
		t.Fatal(err)
	}
	all("the change", func(w *watcher) bool {
		return w.change == int(facetdv1.TaskChange_TASK_CHANGE_REPLACED) && w.sets > 2 &&
			w.generation == changed.GetTask().GetGeneration()
	})
	if _, err := service.DeleteTask(ctx, &facetdv1.DeleteTaskRequest{Name: "fast"}); err != nil {
		t.Fatal(err)
	}
	all("the end", func(w *watcher) bool { return w.change == int(facetdv1.TaskChange_TASK_CHANGE_REMOVED) })
	if _, err := service.CreateTask(ctx, &facetdv1.CreateTaskRequest{Task: task}); err != nil {
		t.Fatal(err)
	}
	all("the task made anew", func(w *watcher) bool {
		return w.change == int(facetdv1.TaskChange_TASK_CHANGE_ADDED) && w.sets > 2
	})
	first := watchers[0].instance
	d.cmd.Process.Kill()
	<-d.done
	start(t, append(args, "--listen", d.grpc)...)
	all("the other run", func(w *watcher) bool {
		return w.instance != first && w.same == 0 && w.resumed == 0 && w.sets > 2
	})
}

// watchGo does what testdata/watch.py does.
func watchGo(ctx context.Context, address string, out io.Writer) {
	var instance string
	var after []*facetdv1.TaskPosition
	follow := func() error {
		conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
		if err != nil {
			return err
		}
		defer conn.Close()
		stream, err := facetdv1.NewFrameServiceClient(conn).FollowFrameSets(ctx)
		if err != nil {
			return err
		}
		ask := &facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Start{
			Start: &facetdv1.FollowStart{Selection: &facetdv1.FrameSelection{Tasks: []string{"fast"}}, FrameSets: 1,
				InstanceId: instance, After: after}}}
		for {
			if ask != nil {
				if err := stream.Send(ask); err != nil {
					return err
				}
				ask = nil
			}
			m, err := stream.Recv()
			if err != nil {
				return err
			}
			switch e := m.GetEvent().(type) {
			case *facetdv1.FollowFrameSetsResponse_Begun:
				task := &facetdv1.FollowedTask{}
				if all := e.Begun.GetTasks(); len(all) > 0 {
					task = all[0]
				}
				instance = e.Begun.GetIdentity().GetInstanceId()
				fmt.Fprintln(out, "begun", instance, bit(e.Begun.GetSameInstance()), task.GetGeneration(),
					bit(task.GetResumed()), task.GetMissed())
			case *facetdv1.FollowFrameSetsResponse_TaskNotice:
				fmt.Fprintln(out, "notice", int(e.TaskNotice.GetChange()), e.TaskNotice.GetGeneration())
			case *facetdv1.FollowFrameSetsResponse_Delivery:
				fs := e.Delivery.GetFrameSet()
				fmt.Fprintln(out, "set", fs.GetTaskGeneration(), fs.GetJob())
				after = []*facetdv1.TaskPosition{{Task: "fast", Generation: fs.GetTaskGeneration(), Job: fs.GetJob()}}
				ask = &facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Grant{
					Grant: &facetdv1.FollowGrant{FrameSets: 1}}}
			}
		}
	}
	for ctx.Err() == nil {
		if follow() != nil {
			fmt.Fprintln(out, "broken")
		}
		time.Sleep(50 * time.Millisecond)
	}
}

func bit(b bool) int {
	if b {
		return 1
	}
	return 0
}
