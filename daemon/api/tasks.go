package api

import (
	"context"
	"errors"
	"slices"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/api/pages"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
)

type taskService struct {
	facetdv1.UnimplementedTaskServiceServer
	s *Server
}

func (v *taskService) ListTasks(_ context.Context,
	r *facetdv1.ListTasksRequest) (*facetdv1.ListTasksResponse, error) {
	snap := v.s.cfg.Dispatch.Snapshot()
	page, next, wrong := pages.Of(r, snap.Tasks, func(t *facetdv1.RunningTask) string { return t.GetTask().GetName() })
	if len(wrong) > 0 {
		return nil, wrong
	}
	return &facetdv1.ListTasksResponse{Tasks: page, Revision: snap.Revision, NextPageToken: next}, nil
}

func (v *taskService) GetTask(_ context.Context, r *facetdv1.GetTaskRequest) (*facetdv1.GetTaskResponse, error) {
	task := findTask(v.s.cfg.Dispatch.Snapshot().Tasks, r.GetName())
	if task == nil {
		return nil, &failure.NotFound{What: "task", Name: r.GetName()}
	}
	return &facetdv1.GetTaskResponse{Task: task}, nil
}

func (v *taskService) ApplyTasks(ctx context.Context, r *facetdv1.ApplyTasksRequest) (*facetdv1.ApplyTasksResponse,
	error) {
	done, err := v.s.cfg.Dispatch.Apply(ctx, r.GetChanges())
	if err != nil {
		return nil, underChanges(err)
	}
	answer := &facetdv1.ApplyTasksResponse{Revision: done.Revision, EffectiveBusNs: done.Effective.NS(),
		Shifts: done.Shifts}
	running := v.s.cfg.Dispatch.Snapshot().Tasks
	for _, t := range r.GetChanges().GetAdd() {
		answer.Tasks = append(answer.Tasks, asItRuns(running, t))
	}
	for _, u := range r.GetChanges().GetUpdate() {
		answer.Tasks = append(answer.Tasks, asItRuns(running, u.GetTask()))
	}
	return answer, nil
}

func (v *taskService) CreateTask(ctx context.Context, r *facetdv1.CreateTaskRequest) (*facetdv1.CreateTaskResponse,
	error) {
	if r.GetTask() == nil {
		return nil, noTask()
	}
	done, err := v.s.cfg.Dispatch.Apply(ctx, &facetdv1.TaskChanges{Add: []*facetdv1.Task{r.GetTask()}})
	if err != nil {
		return nil, moved(err, "add[0]", "task")
	}
	return &facetdv1.CreateTaskResponse{Task: asItRuns(v.s.cfg.Dispatch.Snapshot().Tasks, r.GetTask()),
		EffectiveBusNs: done.Effective.NS(), Revision: done.Revision, Shifts: done.Shifts}, nil
}

func (v *taskService) UpdateTask(ctx context.Context, r *facetdv1.UpdateTaskRequest) (*facetdv1.UpdateTaskResponse,
	error) {
	if r.GetTask() == nil {
		return nil, noTask()
	}
	done, err := v.s.cfg.Dispatch.Apply(ctx, &facetdv1.TaskChanges{Update: []*facetdv1.TaskUpdate{{Task: r.GetTask(),
		UpdateMask: r.GetUpdateMask(), Etag: r.GetEtag()}}})
	if err != nil {
		return nil, moved(err, "update[0].", "")
	}
	return &facetdv1.UpdateTaskResponse{Task: asItRuns(v.s.cfg.Dispatch.Snapshot().Tasks, r.GetTask()),
		EffectiveBusNs: done.Effective.NS(), Revision: done.Revision, Shifts: done.Shifts}, nil
}

func (v *taskService) DeleteTask(ctx context.Context, r *facetdv1.DeleteTaskRequest) (*facetdv1.DeleteTaskResponse,
	error) {
	done, err := v.s.cfg.Dispatch.Apply(ctx, &facetdv1.TaskChanges{Remove: []*facetdv1.TaskRemoval{
		{Name: r.GetName(), Etag: r.GetEtag()}}})
	if err != nil {
		return nil, err
	}
	return &facetdv1.DeleteTaskResponse{EffectiveBusNs: done.Effective.NS(), Revision: done.Revision,
		Shifts: done.Shifts}, nil
}

func noTask() error {
	return invalid.Errors{{Path: "task", Message: "there is no task", Hint: "describe one"}}
}

// asItRuns is a task with its status; of one that somebody has removed since, the task alone.
func asItRuns(running []*facetdv1.RunningTask, t *facetdv1.Task) *facetdv1.RunningTask {
	if found := findTask(running, t.GetName()); found != nil {
		return found
	}
	return &facetdv1.RunningTask{Task: t}
}

func (v *taskService) SetTaskParameters(ctx context.Context, r *facetdv1.SetTaskParametersRequest) (
	*facetdv1.SetTaskParametersResponse, error) {
	return v.s.cfg.Dispatch.SetParameters(ctx, r)
}

func (v *taskService) TriggerTask(ctx context.Context, r *facetdv1.TriggerTaskRequest) (*facetdv1.TriggerTaskResponse,
	error) {
	return v.s.cfg.Dispatch.Trigger(ctx, r.GetTask())
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
	plan, err := v.s.cfg.Dispatch.Preview(ctx, r.GetChanges(), r.GetOperations())
	if err != nil {
		return nil, underChanges(err)
	}
	return &facetdv1.PreviewPlanResponse{Plan: plan}, nil
}

// underChanges gives errors in changes their paths in a request that has them as a field.
func underChanges(err error) error {
	var m invalid.Errors
	if !errors.As(err, &m) {
		return err
	}
	return m.Under("changes")
}

// moved gives errors in changes their paths in a request that says the same elsewhere.
func moved(err error, from, to string) error {
	var m invalid.Errors
	if !errors.As(err, &m) {
		return err
	}
	out := slices.Clone(m)
	for i := range out {
		if rest, is := strings.CutPrefix(out[i].Path, from); is {
			out[i].Path = to + rest
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
