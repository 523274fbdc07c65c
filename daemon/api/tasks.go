package api

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
)

type taskService struct {
	facetdv1.UnimplementedTaskServiceServer
	s *Server
}

func (v *taskService) ListTasks(context.Context, *facetdv1.ListTasksRequest) (*facetdv1.ListTasksResponse, error) {
	return &facetdv1.ListTasksResponse{Tasks: v.s.cfg.Dispatch.Snapshot().Tasks}, nil
}

func (v *taskService) GetTask(_ context.Context, r *facetdv1.GetTaskRequest) (*facetdv1.GetTaskResponse, error) {
	task := findTask(v.s.cfg.Dispatch.Snapshot().Tasks, r.GetName())
	if task == nil {
		return nil, &failure.NotFound{What: "task", Name: r.GetName()}
	}
	return &facetdv1.GetTaskResponse{Task: task}, nil
}

func (v *taskService) CreateTask(ctx context.Context, r *facetdv1.CreateTaskRequest) (*facetdv1.CreateTaskResponse,
	error) {
	task, effective, err := v.change(ctx, r.GetTask(), v.s.cfg.Dispatch.AddTask)
	if err != nil {
		return nil, err
	}
	return &facetdv1.CreateTaskResponse{Task: task, EffectiveBusNs: effective}, nil
}

func (v *taskService) UpdateTask(ctx context.Context, r *facetdv1.UpdateTaskRequest) (*facetdv1.UpdateTaskResponse,
	error) {
	task, effective, err := v.change(ctx, r.GetTask(), v.s.cfg.Dispatch.UpdateTask)
	if err != nil {
		return nil, err
	}
	return &facetdv1.UpdateTaskResponse{Task: task, EffectiveBusNs: effective}, nil
}

// change adds or replaces a task and returns it as it runs then.
func (v *taskService) change(ctx context.Context, t *facetdv1.Task,
	do func(context.Context, *facetdv1.Task) (bus.Time, error)) (*facetdv1.RunningTask, int64, error) {
	if t == nil {
		return nil, 0, invalid.Errors{{Path: "task", Message: "there is no task", Hint: "describe one"}}
	}
	effective, err := do(ctx, t)
	if err != nil {
		return nil, 0, renamed(err, func(int) string { return "task" })
	}
	running := findTask(v.s.cfg.Dispatch.Snapshot().Tasks, t.GetName())
	if running == nil { // removed again by someone else
		running = &facetdv1.RunningTask{Task: t}
	}
	return running, effective.NS(), nil
}

func (v *taskService) DeleteTask(ctx context.Context, r *facetdv1.DeleteTaskRequest) (*facetdv1.DeleteTaskResponse,
	error) {
	effective, err := v.s.cfg.Dispatch.RemoveTask(ctx, r.GetName())
	if err != nil {
		return nil, err
	}
	return &facetdv1.DeleteTaskResponse{EffectiveBusNs: effective.NS()}, nil
}

func (v *taskService) SetTaskParameters(ctx context.Context, r *facetdv1.SetTaskParametersRequest) (
	*facetdv1.SetTaskParametersResponse, error) {
	return v.s.cfg.Dispatch.SetParameters(ctx, r)
}

type planService struct {
	facetdv1.UnimplementedPlanServiceServer
	s *Server
}

func (v *planService) GetPlan(_ context.Context, r *facetdv1.GetPlanRequest) (*facetdv1.GetPlanResponse, error) {
	snap := v.s.cfg.Dispatch.Snapshot()
	plan := snap.Plan
	if plan == nil { // no tasks
		plan = &facetdv1.Plan{Array: v.s.cfg.Array.Name}
	}
	if r.GetOperations() && snap.Active != nil {
		var err error
		if plan, err = dispatch.WithOperations(snap.Active); err != nil {
			return nil, err
		}
	}
	return &facetdv1.GetPlanResponse{Plan: plan, EpochBusNs: snap.Epoch.NS()}, nil
}

func (v *planService) PreviewPlan(ctx context.Context, r *facetdv1.PreviewPlanRequest) (*facetdv1.PreviewPlanResponse,
	error) {
	plan, err := v.s.cfg.Dispatch.Preview(ctx, r.GetAdd(), r.GetRemove(), r.GetOperations())
	if err != nil {
		added := addedAt(v.s.cfg.Dispatch.Snapshot().Tasks, r)
		return nil, renamed(err, func(i int) string {
			if j, known := added[i]; known {
				return "add[" + strconv.Itoa(j) + "]"
			}
			return "tasks[" + strconv.Itoa(i) + "]"
		})
	}
	return &facetdv1.PreviewPlanResponse{Plan: plan}, nil
}

// addedAt maps indices in the list of tasks that a preview plans to indices of the
// request's add.
func addedAt(running []*facetdv1.RunningTask, r *facetdv1.PreviewPlanRequest) map[int]int {
	var names []string
	for _, t := range running {
		if name := t.GetTask().GetName(); !slices.Contains(r.GetRemove(), name) {
			names = append(names, name)
		}
	}
	added := map[int]int{}
	for j, t := range r.GetAdd() {
		i := slices.Index(names, t.GetName())
		if i < 0 {
			i = len(names)
			names = append(names, t.GetName())
		}
		added[i] = j
	}
	return added
}

// renamed gives errors the paths of the request: the dispatcher counts them in the
// whole list of tasks, as "tasks[4].rate_hz".
func renamed(err error, name func(i int) string) error {
	var m invalid.Errors
	if !errors.As(err, &m) {
		return err
	}
	out := slices.Clone(m)
	for i := range out {
		rest, is := strings.CutPrefix(out[i].Path, "tasks[")
		number, tail, closed := strings.Cut(rest, "]")
		if n, err := strconv.Atoi(number); is && closed && err == nil {
			out[i].Path = name(n) + tail
		}
	}
	return out
}

func findTask(tasks []*facetdv1.RunningTask, name string) *facetdv1.RunningTask {
	for _, t := range tasks {
		if t.GetTask().GetName() == name {
			return t
		}
	}
	return nil
}
