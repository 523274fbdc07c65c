package api

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus/rules"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
	"facetd.example/daemon/stream"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/selectword"
)

func precondition(kind, subject, description string) *errdetails.PreconditionFailure {
	return &errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{{Type: kind,
		Subject: subject, Description: description}}}
}

// Every typed error reaches a client over the wire with its code, message and
// details. The table is in the order of status.Of's doc.
func TestEveryErrorOverTheWire(t *testing.T) {
	r := start(t)
	refusal := &facetdv1.Refusal{
		Reason: facetdv1.RefusalReason_REFUSAL_REASON_JOB_TOO_LONG, Task: "look",
		Message:  "reading look takes 12 ms, but its period is 10 ms",
		NeededNs: 12e6, AvailableNs: 10e6, LeastStretch: &facetdv1.Fraction{Numerator: 6, Denominator: 5},
		FittingRates: []*facetdv1.FittingRate{{Task: "look", RateHz: new(83.0), ProvedHighest: true,
			SearchedUpToHz: 100, SearchedTableNs: new(int64(1e9))}},
	}
	first, second := r.array.Chips[0].Name, r.array.Chips[1].Name
	for name, c := range map[string]struct {
		err     error
		code    codes.Code
		message string
		details []proto.Message
	}{
		"errors": {
			invalid.Errors{{Path: "add[0].rate_hz", Message: "must be above 0", Hint: "give a rate"},
				{Path: "add[0].target", Message: "no chips are named"}},
			codes.InvalidArgument, "task.rate_hz: must be above 0 (give a rate)\ntask.target: no chips are named",
			[]proto.Message{&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
				{Field: "task.rate_hz", Description: "must be above 0 (give a rate)"},
				{Field: "task.target", Description: "no chips are named"},
			}}},
		},
		"refusal": {
			&scheduler.RefusalError{Refusal: refusal}, codes.FailedPrecondition, refusal.GetMessage(),
			[]proto.Message{precondition("REFUSAL_REASON_JOB_TOO_LONG", "look", refusal.GetMessage()), refusal},
		},
		"disturbs a task": {
			&program.DisturbError{Task: "ring", Reason: "task ring relies on it"}, codes.FailedPrecondition,
			"task ring relies on it",
			[]proto.Message{precondition("DISTURBS", "ring", "task ring relies on it")},
		},
		"disturbs chips": {
			&program.DisturbError{Chips: []string{"a", "b"}, Reason: "both would drive"}, codes.FailedPrecondition,
			"both would drive",
			[]proto.Message{precondition("DISTURBS", "a, b", "both would drive")},
		},
		"no gap": {
			&dispatch.NoGapError{Needed: time.Second, Reason: "too long for every gap"}, codes.FailedPrecondition,
			"too long for every gap",
			[]proto.Message{precondition("NO_GAP", "timetable", "too long for every gap")},
		},
		"unreachable": {
			&selectword.UnreachableError{Chip: 0, Blocking: []int{1}}, codes.FailedPrecondition,
			"no select word reaches chip " + first + " without " + second +
				": every line that they need is active then; add them to the target",
			[]proto.Message{precondition("REFUSAL_REASON_SELECT", first, "no select word reaches chip "+first+
				" without "+second+": every line that they need is active then; add them to the target")},
		},
		"clash": {
			fmt.Errorf("covering: %w", &selectword.ClashError{Chips: []int{0, 1}}), codes.FailedPrecondition,
			"no select words reach each of " + first + ", " + second + " exactly once; split the target into several",
			[]proto.Message{precondition("REFUSAL_REASON_SELECT", first+", "+second, "no select words reach each of "+
				first+", "+second+" exactly once; split the target into several")},
		},
		"not found": {
			&failure.NotFound{What: "task", Name: "x"}, codes.NotFound, "there is no task called \"x\"",
			[]proto.Message{&errdetails.ResourceInfo{ResourceType: "task", ResourceName: "x",
				Description: "there is no task called \"x\""}},
		},
		"exists": {
			&failure.Exists{What: "task", Name: "x"}, codes.AlreadyExists, "there is already a task called \"x\"",
			[]proto.Message{&errdetails.ResourceInfo{ResourceType: "task", ResourceName: "x",
				Description: "there is already a task called \"x\""}},
		},
		"stopped": {&dispatch.StoppedError{Reason: "no power"}, codes.Unavailable,
			"the bus is stopped: no power", nil},
		"closed":   {&failure.Unavailable{Reason: "going down"}, codes.Unavailable, "going down", nil},
		"full":     {stream.ErrFull, codes.ResourceExhausted, stream.ErrFull.Error(), nil},
		"deadline": {context.DeadlineExceeded, codes.DeadlineExceeded, "context deadline exceeded", nil},
		"cancelled": {fmt.Errorf("waiting: %w", context.Canceled), codes.Canceled, "waiting: context canceled",
			nil},
		"a status already": {status.Error(codes.Aborted, "mine"), codes.Aborted, "mine", nil},
		"rule": {&rules.ViolationError{Violations: []rules.Violation{{Rule: 1, At: 2,
			Message: "two drive"}}}, codes.Internal, "rule 1 violated at 2 ns: two drive", nil},
		"anything else": {errors.New("odd"), codes.Internal, "odd", nil},
	} {
		t.Run(name, func(t *testing.T) {
			r.fake.set(func(f *fake) { f.err = c.err })
			_, err := facetdv1.NewTaskServiceClient(r.conn).CreateTask(limited(t),
				&facetdv1.CreateTaskRequest{Task: &facetdv1.Task{Name: "look"}})
			st := status.Convert(err)
			if st.Code() != c.code || st.Message() != c.message {
				t.Errorf("got %v %q, want %v %q", st.Code(), st.Message(), c.code, c.message)
			}
			if len(st.Details()) != len(c.details) {
				t.Fatalf("details %v, want %v", st.Details(), c.details)
			}
			for i, d := range st.Details() {
				if m, is := d.(proto.Message); !is || !proto.Equal(m, c.details[i]) {
					t.Errorf("detail %d is %v, want %v", i, d, c.details[i])
				}
			}
		})
	}
}

// Every call maps the dispatcher's errors, not only CreateTask.
func TestEveryCallMapsErrors(t *testing.T) {
	r := start(t)
	r.fake.set(func(f *fake) { f.err = &dispatch.StoppedError{Reason: "no power"} })
	tasks, plans := facetdv1.NewTaskServiceClient(r.conn), facetdv1.NewPlanServiceClient(r.conn)
	for name, call := range map[string]func(context.Context) error{
		"create": func(ctx context.Context) error {
			_, err := tasks.CreateTask(ctx, &facetdv1.CreateTaskRequest{Task: &facetdv1.Task{}})
			return err
		},
		"delete": func(ctx context.Context) error {
			_, err := tasks.DeleteTask(ctx, &facetdv1.DeleteTaskRequest{})
			return err
		},
		"preview": func(ctx context.Context) error {
			_, err := plans.PreviewPlan(ctx, &facetdv1.PreviewPlanRequest{})
			return err
		},
		"capture": func(ctx context.Context) error {
			_, err := facetdv1.NewFrameServiceClient(r.conn).CaptureFrames(ctx, &facetdv1.CaptureFramesRequest{})
			return err
		},
		"send": func(ctx context.Context) error {
			_, err := facetdv1.NewCommandServiceClient(r.conn).SendCommand(ctx,
				&facetdv1.SendCommandRequest{Command: &facetdv1.Command{}})
			return err
		},
	} {
		if err := call(limited(t)); status.Code(err) != codes.Unavailable {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Errors come back under the names of the request that made them.
func TestPathsAreThoseOfTheRequest(t *testing.T) {
	r := start(t) // runs ring and bed
	fields := func(err error) string {
		var out []string
		for _, d := range status.Convert(err).Details() {
			for _, v := range d.(*errdetails.BadRequest).GetFieldViolations() {
				out = append(out, v.GetField())
			}
		}
		return strings.Join(out, " ")
	}
	bad := func(paths ...string) {
		var m invalid.Errors
		for _, p := range paths {
			m.Add(p, "wrong", "")
		}
		r.fake.set(func(f *fake) { f.err = m })
	}
	bad("update[1].task.rate_hz", "add[0]", "")
	_, err := facetdv1.NewPlanServiceClient(r.conn).PreviewPlan(limited(t), &facetdv1.PreviewPlanRequest{})
	if got, want := fields(err), "changes.update[1].task.rate_hz changes.add[0] changes"; got != want {
		t.Errorf("preview: %s, want %s (%v)", got, want, err)
	}
	tasks := facetdv1.NewTaskServiceClient(r.conn)
	_, err = tasks.ApplyTasks(limited(t), &facetdv1.ApplyTasksRequest{})
	if got, want := fields(err), "changes.update[1].task.rate_hz changes.add[0] changes"; got != want {
		t.Errorf("apply: %s, want %s (%v)", got, want, err)
	}
	bad("add[0].views[1].name", "add[0]", "tasks[9].x")
	_, err = tasks.CreateTask(limited(t), &facetdv1.CreateTaskRequest{Task: &facetdv1.Task{}})
	if got, want := fields(err), "task.views[1].name task tasks[9].x"; got != want {
		t.Errorf("create: %s, want %s (%v)", got, want, err)
	}
	bad("update[0].task.rate_hz", "update[0].update_mask.paths[2]")
	_, err = tasks.UpdateTask(limited(t), &facetdv1.UpdateTaskRequest{Task: &facetdv1.Task{}})
	if got, want := fields(err), "task.rate_hz update_mask.paths[2]"; got != want {
		t.Errorf("update: %s, want %s (%v)", got, want, err)
	}
	bad("target", "views[0].binning.rows")
	_, err = facetdv1.NewFrameServiceClient(r.conn).CaptureFrames(limited(t), &facetdv1.CaptureFramesRequest{})
	if got, want := fields(err), "target views[0].binning.rows"; got != want {
		t.Errorf("capture: %s, want %s", got, want)
	}
	bad("write.value", "")
	_, err = facetdv1.NewCommandServiceClient(r.conn).SendCommand(limited(t),
		&facetdv1.SendCommandRequest{Command: &facetdv1.Command{}})
	if got, want := fields(err), "command.write.value command"; got != want {
		t.Errorf("send: %s, want %s", got, want)
	}
}

func TestFailedCallsAreLogged(t *testing.T) {
	r := start(t)
	for _, c := range []struct {
		err   error
		level string
	}{
		{errors.New("odd"), "error"},
		{&failure.NotFound{What: "task", Name: "x"}, "info"},
		{&dispatch.StoppedError{Reason: "y"}, "debug"},
	} {
		r.fake.set(func(f *fake) { f.err = c.err })
		_, err := facetdv1.NewTaskServiceClient(r.conn).DeleteTask(limited(t), &facetdv1.DeleteTaskRequest{Name: "x"})
		entries := r.logs.TakeAll()
		if err == nil || len(entries) != 1 {
			t.Fatalf("%v: %d lines for %v", c.err, len(entries), err)
		}
		fields := entries[0].ContextMap()
		if entries[0].Level.String() != c.level || fields["method"] != "/facetd.v1.TaskService/DeleteTask" ||
			fields["error"] != c.err.Error() || fields["peer"] == "unknown" {
			t.Errorf("%v at %v: %v", c.err, entries[0].Level, fields)
		}
	}
	r.fake.set(func(f *fake) { f.err = nil })
	if _, err := facetdv1.NewTaskServiceClient(r.conn).DeleteTask(limited(t),
		&facetdv1.DeleteTaskRequest{Name: "x"}); err != nil || r.logs.Len() != 0 {
		t.Errorf("a call that went well: %v, %d lines", err, r.logs.Len())
	}
}
