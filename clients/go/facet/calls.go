package facet

import (
	"context"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Group is the target of all chips of a named group.
func Group(name string) *facetdv1.Target {
	return &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: name}}
}

// Chips is the target of the chips named.
func Chips(names ...string) *facetdv1.Target {
	return &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: names}}}
}

// AllChips is the target of every chip of the array.
func AllChips() *facetdv1.Target {
	return &facetdv1.Target{Chips: &facetdv1.Target_All{All: &facetdv1.AllChips{}}}
}

// Array returns the array as the daemon loaded it, and the SHA-256 of its description in
// hexadecimal.
func (c *Client) Array(ctx context.Context) (array *facetdv1.Array, digest string, err error) {
	r, err := call(ctx, c, c.array.GetArray, &facetdv1.GetArrayRequest{})
	return r.GetArray(), r.GetDigest(), err
}

// Status returns the daemon as it is now.
func (c *Client) Status(ctx context.Context) (*facetdv1.Status, error) {
	r, err := call(ctx, c, c.status.GetStatus, &facetdv1.GetStatusRequest{})
	return r.GetStatus(), err
}

// Tasks returns the running tasks in the order they were added.
func (c *Client) Tasks(ctx context.Context) ([]*facetdv1.RunningTask, error) {
	var all []*facetdv1.RunningTask
	for r := (*facetdv1.ListTasksResponse)(nil); ; {
		var err error
		// A page of this size has as many tasks as a daemon can.
		r, err = call(ctx, c, c.tasks.ListTasks,
			&facetdv1.ListTasksRequest{PageSize: 1000, PageToken: r.GetNextPageToken()})
		if err != nil {
			return nil, err
		}
		if all = append(all, r.GetTasks()...); r.GetNextPageToken() == "" {
			return all, nil
		}
	}
}

// AddTask starts a task beside the running ones and returns once its timetable is
// active, with the bus time of that in nanoseconds. An *Error with a Refusal says why it
// does not fit, and what would. Where the connection breaks it is sent again for up to a
// second, and done once, as are the other changes of tasks.
func (c *Client) AddTask(ctx context.Context, t *facetdv1.Task) (effectiveBusNS int64, err error) {
	r, err := call(ctx, c, c.tasks.CreateTask, &facetdv1.CreateTaskRequest{Task: t})
	return r.GetEffectiveBusNs(), err
}

// ChangeTask replaces the running task of the same name. Its errors are those of AddTask;
// the task then runs on as it was.
func (c *Client) ChangeTask(ctx context.Context, t *facetdv1.Task) (effectiveBusNS int64, err error) {
	r, err := call(ctx, c, c.tasks.UpdateTask, &facetdv1.UpdateTaskRequest{Task: t})
	return r.GetEffectiveBusNs(), err
}

// ApplyTasks makes several changes at once, all of them or none. Those that name a revision or an etag are made on the
// condition that it is the present one; IsConflict tells that it was not. With a request id, which the caller makes up
// anew for every change, it may be called again after any error: the change is made once. Where it is empty the client
// makes one up for this call.
func (c *Client) ApplyTasks(ctx context.Context, changes *facetdv1.TaskChanges, requestID string) (
	*facetdv1.ApplyTasksResponse, error) {
	return call(ctx, c, c.tasks.ApplyTasks, &facetdv1.ApplyTasksRequest{Changes: changes, RequestId: requestID})
}

// SetTaskParameters sets what the views of a task say in movable, all of it or nothing, and returns the number of the
// first job that has it. No timetable changes, so it may be called for every job, as to follow something with a window.
func (c *Client) SetTaskParameters(ctx context.Context, task string,
	views ...*facetdv1.ViewParameters) (firstJob uint64,
	err error) {
	r, err := call(ctx, c, c.tasks.SetTaskParameters, &facetdv1.SetTaskParametersRequest{Task: task, Views: views})
	return r.GetFirstJob(), err
}

// Trigger releases a job of a sporadic task, now, and returns which, and when it runs; its frames come in the streams.
// The *Error of a trigger that came too soon has a precondition of type TOO_SOON.
func (c *Client) Trigger(ctx context.Context, task string) (*facetdv1.TriggerTaskResponse, error) {
	return call(ctx, c, c.tasks.TriggerTask, &facetdv1.TriggerTaskRequest{Task: task})
}

// RemoveTask stops a task.
func (c *Client) RemoveTask(ctx context.Context, name string) error {
	_, err := call(ctx, c, c.tasks.DeleteTask, &facetdv1.DeleteTaskRequest{Name: name})
	return err
}

// Plan returns the active plan.
func (c *Client) Plan(ctx context.Context) (*facetdv1.Plan, error) {
	r, err := call(ctx, c, c.plans.GetPlan, &facetdv1.GetPlanRequest{})
	return r.GetPlan(), err
}

// Preview plans the changes of ApplyTasks without making them. A plan that does not fit
// comes back with its Refusal set, not as an error.
func (c *Client) Preview(ctx context.Context, changes *facetdv1.TaskChanges) (*facetdv1.Plan, error) {
	r, err := call(ctx, c, c.plans.PreviewPlan, &facetdv1.PreviewPlanRequest{Changes: changes})
	return r.GetPlan(), err
}

// CaptureOptions choose what a capture reads and how its codes come. The zero value is one plain view with raw codes.
type CaptureOptions struct {
	// Views, all of one readout; none means a plain one.
	Views []*facetdv1.View
	// Corrected asks for corrected codes.
	Corrected bool
	// Square asks for corrected codes, those of hexagonal chips resampled to a square lattice.
	Square bool
}

// PreviewCapture says how long a capture of a target may wait in the active timetable, and captures nothing.
func (c *Client) PreviewCapture(ctx context.Context, target *facetdv1.Target,
	views ...*facetdv1.View) (*facetdv1.PreviewCaptureResponse, error) {
	return call(ctx, c, c.frames.PreviewCapture, &facetdv1.PreviewCaptureRequest{Target: target, Views: views})
}

// Capture reads a target once, in an idle gap of the timetable.
func (c *Client) Capture(ctx context.Context, target *facetdv1.Target, o CaptureOptions) (*FrameSet, error) {
	r, err := call(ctx, c, c.frames.CaptureFrames,
		&facetdv1.CaptureFramesRequest{Target: target, Views: o.Views, Codes: codesOf(o.Corrected, o.Square)})
	if err != nil {
		return nil, err
	}
	set, err := c.received(r.GetFrameSet())
	if err != nil {
		return nil, err
	}
	set.boot = r.GetIdentity().GetHostBootId()
	return set, nil
}

// Send sends one command in an idle gap of the timetable.
func (c *Client) Send(ctx context.Context, command *facetdv1.Command) (*facetdv1.SendCommandResponse, error) {
	return call(ctx, c, c.sends.SendCommand, &facetdv1.SendCommandRequest{Command: command})
}

// Stop stops the array until somebody resumes it, also after a restart of the daemon: every select line goes inactive,
// open jobs fail, streams and captures end with an *Error for which IsStopped is true. The reason is one line of at
// most 200 characters, or empty. The array is stopped also after an error of the connection; without one the answer
// says whether the bus has confirmed that the lines are inactive. It is a stop by software, and no emergency stop.
func (c *Client) Stop(ctx context.Context, reason string) (*facetdv1.SafeStop, error) {
	r, err := call(ctx, c, c.stops.StopArray, &facetdv1.StopArrayRequest{Reason: reason})
	return r.GetSafeStop(), err
}

// Resume ends the stop with this revision, which Stop and Status give, unless somebody has asked for another since;
// 0 ends whatever stop there is. The registers are initialized first. After an error the array is stopped as before.
func (c *Client) Resume(ctx context.Context, revision uint64) (effectiveBusNS int64, err error) {
	r, err := call(ctx, c, c.stops.ResumeArray, &facetdv1.ResumeArrayRequest{Revision: revision})
	return r.GetEffectiveBusNs(), err
}

func codesOf(corrected, square bool) facetdv1.Codes {
	if square {
		return facetdv1.Codes_CODES_CORRECTED_SQUARE
	}
	if corrected {
		return facetdv1.Codes_CODES_CORRECTED
	}
	return facetdv1.Codes_CODES_RAW
}
