package acceptance

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
)

// rates are the tasks that run, by name.
type rates map[string]float64

func (r rates) with(name string, rate float64) rates {
	out := maps.Clone(r)
	if rate == 0 {
		delete(out, name)
	} else {
		out[name] = rate
	}
	return out
}

// running asks a daemon.
func running(t *testing.T, tasks facetdv1.TaskServiceClient) rates {
	t.Helper()
	list, err := tasks.ListTasks(within(t, patience), &facetdv1.ListTasksRequest{})
	if err != nil {
		t.Fatal(err)
	}
	out := rates{}
	for _, r := range list.GetTasks() {
		out[r.GetTask().GetName()] = r.GetTask().GetRateHz()
	}
	return out
}

// change makes, changes or removes one of a few tasks at random; rate 0 removes it.
func change(
	ctx context.Context, tasks facetdv1.TaskServiceClient, now rates, rng *rand.Rand,
) (name string, rate float64, err error) {
	name = fmt.Sprintf("task-%d", rng.IntN(4))
	rate = float64(1 + rng.IntN(5))
	target := &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "bow"}}
	task := &facetdv1.Task{Name: name, RateHz: rate, Target: target}
	switch {
	case now[name] == 0:
		_, err = tasks.CreateTask(ctx, &facetdv1.CreateTaskRequest{Task: task})
	case rng.IntN(2) == 0:
		rate = 0
		_, err = tasks.DeleteTask(ctx, &facetdv1.DeleteTaskRequest{Name: name})
	default:
		_, err = tasks.UpdateTask(ctx, &facetdv1.UpdateTaskRequest{Task: task})
	}
	return name, rate, err
}

// TestKilledWhileTasksChange: however a daemon is killed in mid-change, the next one runs every
// change that was answered, and of the one that was not either all or nothing.
func TestKilledWhileTasksChange(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	dir := t.TempDir()
	data, file := filepath.Join(dir, "data"), filepath.Join(dir, "tasks.yaml")
	write := func(rate int) {
		t.Helper()
		text := fmt.Sprintf("tasks:\n  - {name: task-0, target: {group: bow}, rate_hz: %d}\n", rate) +
			"  - {name: look, target: {group: bed}, rate_hz: 2}\n"
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(3)
	boot := func() (*daemon, facetdv1.TaskServiceClient) {
		d := start(t, "--pace", "free", "--data", data, "--tasks", file)
		return d, facetdv1.NewTaskServiceClient(d.dial(t))
	}
	answered, open := rates{"task-0": 3, "look": 2}, rates(nil)
	changes := 0
	for round := range 6 {
		d, tasks := boot()
		now := running(t, tasks)
		if !maps.Equal(now, answered) && (open == nil || !maps.Equal(now, open)) {
			t.Fatalf("round %d: runs %v; answered %v, on its way %v", round, now, answered, open)
		}
		answered, open = now, nil
		ctx := within(t, time.Minute)
		after := 2 + rng.IntN(8)
		for n := 0; ; n++ {
			if n == after {
				// SIGKILL
				time.AfterFunc(time.Duration(rng.IntN(20_000))*time.Microsecond, func() { d.cmd.Process.Kill() })
			}
			name, rate, err := change(ctx, tasks, answered, rng)
			if err != nil {
				if n < after {
					t.Fatal(err)
				}
				open = answered.with(name, rate)
				break
			}
			answered = answered.with(name, rate)
			changes++
		}
		<-d.done
	}
	t.Logf("%d changes answered", changes)

	// The file wins where it has changed, to a rate that no change above makes, and the daemon says so.
	write(7)
	d, tasks := boot()
	now := running(t, tasks)
	if now["task-0"] != 7 {
		t.Errorf("runs %v, and the file says 7 Hz now", now)
	}
	if was := answered["task-0"]; was != 3 && (open == nil || open["task-0"] != 3) {
		journal := run(t, binary(t, "facetctl"), "--address", d.grpc, "events")
		if !strings.Contains(journal, "task task-0 was") || !strings.Contains(journal, "has changed since, and wins") {
			t.Errorf("ran at %g Hz; told\n%s", was, journal)
		}
	}
	if err := d.stop(t); err != nil {
		t.Error(err)
	}
}
