package main

import (
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"net"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

// fake is a daemon that answers with canned messages and notes what it was asked.
// What it says is invented, but consistent: its frames are gradients by formula.
type fake struct {
	facetdv1.UnimplementedArrayServiceServer
	facetdv1.UnimplementedStatusServiceServer
	facetdv1.UnimplementedTaskServiceServer
	facetdv1.UnimplementedFrameServiceServer
	facetdv1.UnimplementedPlanServiceServer
	facetdv1.UnimplementedCommandServiceServer
	facetdv1.UnimplementedProbeServiceServer
	facetdv1.UnimplementedFaultServiceServer
	facetdv1.UnimplementedRecordServiceServer
	facetdv1.UnimplementedEventServiceServer
	facetdv1.UnimplementedReplayServiceServer
	facetdv1.UnimplementedSceneServiceServer
	facetdv1.UnimplementedCalibrationServiceServer
	facetdv1.UnimplementedSafeStopServiceServer
	facetdv1.UnimplementedLockstepServiceServer
	facetdv1.UnimplementedHealthServiceServer
	facetdv1.UnimplementedHistoryServiceServer
	facetdv1.UnimplementedDeviceServiceServer
	facetdv1.UnimplementedMotionServiceServer

	address string
	mu      sync.Mutex
	calls   []string
	// around is the active light and temperature; whenCollected, where set, is what somebody else sets
	// while a level is gathered.
	around, whenCollected *facetdv1.Environment
	stopped               *facetdv1.SafeStop
	devices               int // how often the device was asked for
}

// startFake serves on a Unix socket until the test ends.
func startFake(t *testing.T) *fake {
	t.Helper()
	path := filepath.Join(t.TempDir(), "s")
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	f := &fake{address: "unix:" + path, around: &facetdv1.Environment{Scene: "uniform:200", TemperatureOffsetK: 2.5}}
	s := grpc.NewServer()
	facetdv1.RegisterArrayServiceServer(s, f)
	facetdv1.RegisterStatusServiceServer(s, f)
	facetdv1.RegisterTaskServiceServer(s, f)
	facetdv1.RegisterFrameServiceServer(s, f)
	facetdv1.RegisterPlanServiceServer(s, f)
	facetdv1.RegisterCommandServiceServer(s, f)
	facetdv1.RegisterProbeServiceServer(s, f)
	facetdv1.RegisterFaultServiceServer(s, f)
	facetdv1.RegisterRecordServiceServer(s, f)
	facetdv1.RegisterEventServiceServer(s, f)
	facetdv1.RegisterReplayServiceServer(s, f)
	facetdv1.RegisterSceneServiceServer(s, f)
	facetdv1.RegisterCalibrationServiceServer(s, f)
	facetdv1.RegisterSafeStopServiceServer(s, f)
	facetdv1.RegisterHealthServiceServer(s, f)
	facetdv1.RegisterHistoryServiceServer(s, f)
	facetdv1.RegisterLockstepServiceServer(s, f)
	facetdv1.RegisterDeviceServiceServer(s, f)
	facetdv1.RegisterMotionServiceServer(s, f)
	done := make(chan struct{})
	go func() { defer close(done); _ = s.Serve(l) }()
	t.Cleanup(func() { s.Stop(); <-done })
	return f
}

// madeUp is the id of a request, another one each time.
var madeUp = regexp.MustCompile(`"request_id":"[A-Z2-7]{26}"`)

// note keeps a request, by the schema's field names and without zero values.
func (f *fake) note(m proto.Message) {
	var b strings.Builder
	name := strings.TrimSuffix(string(m.ProtoReflect().Descriptor().Name()), "Request")
	raw, _ := cli.Raw(m)
	fmt.Fprintf(&b, "%s %s", name, madeUp.ReplaceAllString(string(raw), `"request_id":"ANEW"`))
	f.mu.Lock()
	defer f.mu.Unlock()
	f.calls = append(f.calls, b.String())
}

// taken returns what was asked since the last time.
func (f *fake) taken() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	calls := f.calls
	f.calls = nil
	return calls
}

func fakeArray() *facetdv1.Array {
	return &facetdv1.Array{
		Name: "bench", SelectLines: []string{"p", "q", "x0", "x1"},
		Lanes: []*facetdv1.Lane{{Name: "a"}, {Name: "b"}},
		Classes: []*facetdv1.ChipClass{
			{Name: "mem", Lattice: &facetdv1.Lattice{Rows: 12, Columns: 16, PitchXUm: 20, PitchYUm: 30},
				Memory: &facetdv1.AnalogMemory{}},
			{Name: "hex", Lattice: &facetdv1.Lattice{Rows: 6, Columns: 8, PitchXUm: 30, PitchYUm: 25.98,
				Arrangement: facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL}},
		},
		Chips: []*facetdv1.Chip{
			{Name: "m0", Class: "mem", Selects: []string{"p", "x0"}, Lane: "a",
				Mount: &facetdv1.Mount{YawDeg: 90, PitchDeg: -15}},
			{Name: "m1", Class: "mem", Selects: []string{"p", "x1"}, Lane: "b",
				Mount: &facetdv1.Mount{YawDeg: -90, RollDeg: 2.5}},
			{Name: "h0", Class: "hex", Selects: []string{"q", "x0"}, Lane: "a"},
		},
		Groups: []*facetdv1.Group{{Name: "pair", Chips: []string{"m0", "m1"}},
			{Name: "low", Chips: []string{"m0", "h0"}}},
	}
}

func (f *fake) GetArray(context.Context, *facetdv1.GetArrayRequest) (*facetdv1.GetArrayResponse, error) {
	return &facetdv1.GetArrayResponse{Array: fakeArray(), Digest: "c0ffee"}, nil
}

func (f *fake) ComputeReach(_ context.Context, r *facetdv1.ComputeReachRequest) (*facetdv1.ComputeReachResponse,
	error) {
	f.note(r)
	return &facetdv1.ComputeReachResponse{Word: &facetdv1.SelectWord{Lines: r.GetLines(),
		Reaches: []string{"m0", "m1"}}}, nil
}

func (f *fake) ComputeCover(_ context.Context, r *facetdv1.ComputeCoverRequest) (*facetdv1.ComputeCoverResponse,
	error) {
	f.note(r)
	if r.GetTarget().GetGroup() == "low" {
		return nil, status.Error(codes.FailedPrecondition,
			"m1 is in the way: every word that reaches m0 and h0 reaches it too")
	}
	return &facetdv1.ComputeCoverResponse{
		Words: []*facetdv1.SelectWord{{Lines: []string{"p", "x0", "x1"}, Reaches: []string{"m0", "m1"}},
			{Lines: []string{"q", "x0"}, Reaches: []string{"h0"}}},
		Optimal: !r.GetOnce(), LowerBound: 1,
	}, nil
}

func fakeTask() *facetdv1.RunningTask {
	return &facetdv1.RunningTask{
		Task: &facetdv1.Task{
			Name: "look", Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "pair"}}, RateHz: 30,
			MaxHold: durationpb.New(40 * time.Millisecond),
			Views: []*facetdv1.View{{Name: "whole", SmoothingSteps: 2,
				Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}},
		},
		Status: &facetdv1.TaskStatus{
			RequestedRateHz: 30, PlannedRateHz: 29.296875, AchievedRateHz: 29.29, JobsOnTime: 1200, JobsLate: 1,
			JobsFailed: 2, Frames: 2402,
			LastResponseNs: 3_141_592, WorstResponseNs: 12_000_000, LastSkewNs: 800,
			LastFailure: "the capture was cut short",
		},
	}
}

func fakeStatus() *facetdv1.Status {
	return &facetdv1.Status{
		State: facetdv1.State_STATE_RUNNING, Version: "1.2.3", Array: "bench", Bus: "virtual",
		Pace: facetdv1.Pace_PACE_FREE, Seed: 7,
		BusNs: 41_500_250_000, StartTime: timestamppb.New(time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)),
		PlannedUtilization: 0.625, MeasuredUtilization: 0.6249,
		Phases: []*facetdv1.PhaseUtilization{{Phase: facetdv1.Phase_PHASE_SELECT, Fraction: 0.01},
			{Phase: facetdv1.Phase_PHASE_SETTLE, Fraction: 0.4149},
			{Phase: facetdv1.Phase_PHASE_CONVERT, Fraction: 0.2}},
		Tasks: []*facetdv1.RunningTask{fakeTask()}, RuleViolations: 1,
		LastViolations: []*facetdv1.RuleViolation{{Rule: 4, Message: "converted 12 ns early", BusNs: 1_000_500,
			Chips: []string{"m0"}}},
		Streams: 2, TimeUncertaintyNs: 1_200_000, DroppedFrameSets: 3,
	}
}

// GetClock is of a host whose UTC is 90 s ahead, and was set twice.
func (f *fake) GetClock(_ context.Context, r *facetdv1.GetClockRequest) (*facetdv1.GetClockResponse, error) {
	f.note(r)
	return &facetdv1.GetClockResponse{Clock: &facetdv1.Clock{
		BusNs: 5e9, MonotonicNs: 1e12 + int64(time.Since(fakeBoot)), UncertaintyNs: 2000,
		UtcTime: timestamppb.New(time.Now().Add(90 * time.Second)), UtcUncertaintyNs: 1000, UtcEpoch: 3},
		Identity: &facetdv1.Identity{HostBootId: "boot"}}, nil
}

var fakeBoot = time.Now()

func (f *fake) GetStatus(context.Context, *facetdv1.GetStatusRequest) (*facetdv1.GetStatusResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	st := fakeStatus()
	if st.SafeStop = f.stopped; f.stopped != nil {
		st.State = facetdv1.State_STATE_SAFE_STOP
	}
	return &facetdv1.GetStatusResponse{Status: st}, nil
}

func (f *fake) WatchStatus(r *facetdv1.WatchStatusRequest,
	s grpc.ServerStreamingServer[facetdv1.WatchStatusResponse]) error {
	f.note(r)
	for i := range 2 {
		st := fakeStatus()
		st.Tasks, st.BusNs = nil, int64(i)*1e9
		if err := s.Send(&facetdv1.WatchStatusResponse{Status: st}); err != nil {
			return err
		}
	}
	return nil
}

func (f *fake) ListTasks(context.Context, *facetdv1.ListTasksRequest) (*facetdv1.ListTasksResponse, error) {
	return &facetdv1.ListTasksResponse{Tasks: []*facetdv1.RunningTask{fakeTask()}, Revision: 7}, nil
}

func (f *fake) GetTask(_ context.Context, r *facetdv1.GetTaskRequest) (*facetdv1.GetTaskResponse, error) {
	if r.GetName() != "look" {
		return nil, status.Error(codes.NotFound, "there is no task called "+r.GetName())
	}
	return &facetdv1.GetTaskResponse{Task: fakeTask()}, nil
}

// CreateTask refuses by what the rate asks: over 1000 Hz does not fit, below zero
// is an error.
func (f *fake) CreateTask(_ context.Context, r *facetdv1.CreateTaskRequest) (*facetdv1.CreateTaskResponse, error) {
	f.note(r)
	switch t := r.GetTask(); {
	case t.GetRateHz() < 0:
		return nil, detailed(codes.InvalidArgument, "the task has 2 errors",
			&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
				{Field: "task.rate_hz", Description: "-1 Hz is out of range (use 0.001 to 1e+06)"},
				{Field: "task.target.group", Description: `no group is called "nine" (known: pair, low)`},
			}})
	case t.GetRateHz() > 1000:
		return nil, detailed(codes.FailedPrecondition, fakeRefusal().GetMessage(), fakeRefusal())
	default:
		return &facetdv1.CreateTaskResponse{
			Task: &facetdv1.RunningTask{Task: t,
				Status: &facetdv1.TaskStatus{RequestedRateHz: t.GetRateHz(),
					PlannedRateHz: t.GetRateHz()}}, EffectiveBusNs: 2_500_000_000,
		}, nil
	}
}

// ApplyTasks refuses as CreateTask does, and a revision that is not 7.
func (f *fake) ApplyTasks(_ context.Context, r *facetdv1.ApplyTasksRequest) (*facetdv1.ApplyTasksResponse, error) {
	f.note(r)
	c := r.GetChanges()
	if c.ExpectedRevision != nil && c.GetExpectedRevision() != 7 {
		return nil, detailed(codes.Aborted, "the revision of the tasks has changed since it was read",
			&errdetails.ErrorInfo{Reason: "STALE", Domain: "facetd.example",
				Metadata: map[string]string{"current": "7"}})
	}
	answer := &facetdv1.ApplyTasksResponse{Revision: 8, EffectiveBusNs: 4_500_000_000,
		Shifts: []*facetdv1.TaskShift{{Task: "other", ShiftNs: 1_250_000, PlannedRateBeforeHz: 10,
			PlannedRateHz: 12.5}}}
	tasks := c.GetAdd()
	for _, u := range c.GetUpdate() {
		tasks = append(tasks, u.GetTask())
	}
	for _, t := range tasks {
		if t.GetName() == "look" && len(c.GetUpdate()) == 0 {
			return nil, status.Error(codes.AlreadyExists, `there is already a task called "look"`)
		}
		if t.GetRateHz() > 1000 {
			return nil, detailed(codes.FailedPrecondition, fakeRefusal().GetMessage(), fakeRefusal())
		}
		answer.Tasks = append(answer.Tasks, &facetdv1.RunningTask{Task: t,
			Status: &facetdv1.TaskStatus{PlannedRateHz: t.GetRateHz()}})
	}
	return answer, nil
}

func (f *fake) UpdateTask(ctx context.Context, r *facetdv1.UpdateTaskRequest) (*facetdv1.UpdateTaskResponse, error) {
	f.note(r)
	if r.GetTask().GetName() == "nobody" {
		return nil, status.Error(codes.NotFound, "there is no task called nobody")
	}
	next := proto.CloneOf(r.GetTask())
	if mask := r.GetUpdateMask().GetPaths(); len(mask) > 0 && !slices.Contains(mask, "rate_hz") {
		next.RateHz = fakeTask().GetTask().GetRateHz()
	}
	return &facetdv1.UpdateTaskResponse{
		Task: &facetdv1.RunningTask{Task: next,
			Status: &facetdv1.TaskStatus{PlannedRateHz: next.GetRateHz()}}, EffectiveBusNs: 3_500_000_000,
	}, nil
}

func fakeRefusal() *facetdv1.Refusal {
	return &facetdv1.Refusal{
		Reason: facetdv1.RefusalReason_REFUSAL_REASON_UTILIZATION, Message: "the tasks ask for 131.3 % of the bus",
		Task:     "fast",
		NeededNs: 12_500_000, AvailableNs: 10_000_000, Utilization: 1.3125,
		LeastStretch: &facetdv1.Fraction{Numerator: 21, Denominator: 16},
		FittingRates: []*facetdv1.FittingRate{
			{Task: "look", RateHz: new(12.5), ProvedHighest: true, SearchedUpToHz: 25,
				SearchedTableNs: new(int64(1_000_000_000))},
			{Task: "slow", RateHz: new(0.5), SearchedUpToHz: 1},
			{Task: "fast", SearchedUpToHz: 80, Witness: "without it too, look asks for 101.2 % of the bus",
				InTheWay: "look"}},
		Stretched: []*facetdv1.StretchedTask{{Task: "look", RateHz: 19.04},
			{Task: "fast", RateHz: 60.9, DeadlineNs: new(int64(12_000_000))}},
	}
}

func detailed(c codes.Code, message string, detail proto.Message) error {
	s, err := status.New(c, message).WithDetails(protoadapt.MessageV1Of(detail))
	if err != nil {
		return err
	}
	return s.Err()
}

func (f *fake) DeleteTask(_ context.Context, r *facetdv1.DeleteTaskRequest) (*facetdv1.DeleteTaskResponse, error) {
	f.note(r)
	return &facetdv1.DeleteTaskResponse{EffectiveBusNs: 3_000_000_000}, nil
}

func (f *fake) SetTaskParameters(_ context.Context, r *facetdv1.SetTaskParametersRequest) (
	*facetdv1.SetTaskParametersResponse, error) {
	f.note(r)
	return &facetdv1.SetTaskParametersResponse{FirstJob: 412, Views: r.GetViews()}, nil
}

func (f *fake) TriggerTask(_ context.Context, r *facetdv1.TriggerTaskRequest) (*facetdv1.TriggerTaskResponse, error) {
	f.note(r)
	if r.GetTask() != "flash" {
		return nil, status.Error(codes.FailedPrecondition, "task look has a rate, and is not triggered")
	}
	return &facetdv1.TriggerTaskResponse{Job: 7, Generation: 3, ReleaseBusNs: 2_500_000_000,
		StartBusNs: 2_512_000_000, EndBusNs: 2_520_500_000, NextTriggerBusNs: 2_700_000_000}, nil
}

func (f *fake) PreviewCapture(_ context.Context, r *facetdv1.PreviewCaptureRequest) (*facetdv1.PreviewCaptureResponse,
	error) {
	f.note(r)
	if r.GetTarget().GetGroup() == "pair" {
		return &facetdv1.PreviewCaptureResponse{JobNs: 9_000_000, Exact: true, Waiting: 1}, nil
	}
	return &facetdv1.PreviewCaptureResponse{JobNs: 4_000_000, WorstStartNs: proto.Int64(31_000_000),
		WorstFirstSampleNs: proto.Int64(31_500_000), WorstEndNs: proto.Int64(35_000_000), Exact: true, Waiting: 2,
		WaitingAddsNs: proto.Int64(70_000_000)}, nil
}

func (f *fake) SendCommand(_ context.Context, r *facetdv1.SendCommandRequest) (*facetdv1.SendCommandResponse, error) {
	f.note(r)
	if r.GetCommand().GetStrobe() == facetdv1.Strobe_STROBE_LOAD {
		const why = "a load would overwrite what m0 holds for task look"
		return nil, detailed(codes.FailedPrecondition, why, &errdetails.PreconditionFailure{
			Violations: []*errdetails.PreconditionFailure_Violation{{Type: "DISTURBS", Subject: "look",
				Description: why}},
		})
	}
	return &facetdv1.SendCommandResponse{
		Words: []*facetdv1.SelectWord{{Lines: []string{"p", "x0"}, Reaches: []string{"m0"}}}, StartBusNs: 1_234_567,
		WaitedNs: 500,
	}, nil
}

func fakePlan() *facetdv1.Plan {
	return &facetdv1.Plan{
		Array: "bench", Tasks: []*facetdv1.Task{fakeTask().GetTask()}, Utilization: 0.625,
		Method: "simulation of non-preemptive EDF",
		Phases: []*facetdv1.PhaseUtilization{{Phase: facetdv1.Phase_PHASE_LOAD, Fraction: 0.125, BusyNs: 4_000_000}},
		Timetable: &facetdv1.Timetable{HyperperiodNs: 34_133_333, InitializationNs: 12_000,
			Segments: []*facetdv1.Segment{
				{Tasks: []string{"look"}, StartNs: 0, EndNs: 21_333_000, DeadlineNs: 34_133_333,
					Reads: []string{"m0", "m1"}},
			}},
		Predictions: []*facetdv1.Prediction{{
			Task: "look", RequestedRateHz: 30, PlannedRateHz: 29.296875, WorstResponseNs: 21_333_000,
			BestResponseNs: 21_333_000, LeastSlackNs: 12_800_333,
			WorstHoldNs: 20_000_000, WorstDroopVolts: 0.00035, JobNs: 21_333_000, BusUtilization: 0.625, Segments: 1,
			Frames: 2,
		}},
	}
}

func (f *fake) GetPlan(context.Context, *facetdv1.GetPlanRequest) (*facetdv1.GetPlanResponse, error) {
	return &facetdv1.GetPlanResponse{Plan: fakePlan(), EpochBusNs: 1_000_000_000}, nil
}

func (f *fake) PreviewPlan(_ context.Context, r *facetdv1.PreviewPlanRequest) (*facetdv1.PreviewPlanResponse, error) {
	f.note(r)
	for _, t := range r.GetChanges().GetAdd() {
		if t.GetRateHz() > 1000 {
			return &facetdv1.PreviewPlanResponse{Plan: &facetdv1.Plan{Array: "bench", Refusal: fakeRefusal()}}, nil
		}
	}
	return &facetdv1.PreviewPlanResponse{Plan: fakePlan()}, nil
}

// fakeFrame is a frame of rows by columns whose code at (r, c) is base + 100 r + c.
func fakeFrame(chip string, rows, columns, base int) *facetdv1.Frame {
	data := make([]byte, 2*rows*columns)
	for i := range rows * columns {
		binary.LittleEndian.PutUint16(data[2*i:], uint16(base+100*(i/columns)+i%columns))
	}
	return &facetdv1.Frame{
		Chip: chip, View: "whole", Arrangement: facetdv1.Arrangement_ARRANGEMENT_SQUARE, Rows: uint32(rows),
		Columns:     uint32(columns),
		Window:      &facetdv1.Window{Rows: uint32(rows), Columns: uint32(columns), RowStep: 1, ColumnStep: 1},
		PixelFormat: "Mono16", SignificantBits: 12, Data: data, HoldNs: 2_000_000,
	}
}

// fakeSet is job n of a task with a period of 20 ms.
func fakeSet(task string, n int) *facetdv1.FrameSet {
	release := int64(n) * 20_000_000
	m, h := fakeFrame("m0", 12, 16, 200+n), fakeFrame("h0", 6, 8, 700+n)
	h.Arrangement = facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL
	m.LightBusNs, h.LightBusNs = release+1000, release+1800
	return &facetdv1.FrameSet{
		Task: task, Job: uint64(n), ReleaseBusNs: release, DeadlineBusNs: release + 20_000_000,
		StartBusNs: release + 500, FinishBusNs: release + 5_000_000, SkewNs: 800,
		Frames: []*facetdv1.Frame{m, h},
	}
}

// FollowFrameSets sends jobs 3 to 7 as they are granted, with a heartbeat between, and ends. Without a task named, it
// loses two sets before the last.
func (f *fake) FollowFrameSets(s grpc.BidiStreamingServer[facetdv1.FollowFrameSetsRequest,
	facetdv1.FollowFrameSetsResponse]) error {
	first, err := s.Recv()
	if err != nil {
		return err
	}
	f.note(first.GetStart())
	granted := first.GetStart().GetFrameSets()
	for n := 3; n <= 7; n++ {
		for granted == 0 {
			r, err := s.Recv()
			if err != nil {
				return err
			}
			granted += r.GetGrant().GetFrameSets()
		}
		granted--
		d := &facetdv1.FrameSetDelivery{FrameSet: fakeSet("look", n)}
		if n == 7 && len(first.GetStart().GetSelection().GetTasks()) == 0 {
			d.LeftOut, d.Dropped, d.DroppedTotal = 2, 2, 2
		}
		for _, m := range []*facetdv1.FollowFrameSetsResponse{
			{Event: &facetdv1.FollowFrameSetsResponse_Heartbeat{Heartbeat: &facetdv1.Heartbeat{}}},
			{Event: &facetdv1.FollowFrameSetsResponse_Delivery{Delivery: d}},
		} {
			if err := s.Send(m); err != nil {
				return err
			}
		}
	}
	return nil
}

func (f *fake) CaptureFrames(_ context.Context, r *facetdv1.CaptureFramesRequest) (*facetdv1.CaptureFramesResponse,
	error) {
	f.note(r)
	if len(r.GetTarget().GetList().GetNames()) == 1 && r.GetTarget().GetList().GetNames()[0] == "h0" {
		return nil, status.Error(codes.FailedPrecondition,
			"the readout takes 9 ms, the longest gap of the timetable is 4 ms")
	}
	return &facetdv1.CaptureFramesResponse{FrameSet: fakeSet("", 1), WaitedNs: 1500}, nil
}

func (f *fake) ProbeSelects(r *facetdv1.ProbeSelectsRequest,
	s grpc.ServerStreamingServer[facetdv1.ProbeSelectsResponse]) error {
	f.note(r)
	for n := range uint32(2) {
		if err := s.Send(&facetdv1.ProbeSelectsResponse{Event: &facetdv1.ProbeSelectsResponse_Progress{
			Progress: &facetdv1.ProbeProgress{Readouts: n + 1, Remaining: 9 - n},
		}}); err != nil {
			return err
		}
	}
	shorted := &facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_INPUT_SHORTED, Chip: "eye-0", Input: 0, Line: "x0",
		OtherLine: "x1"}
	stuck := &facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_ACTIVE, Line: "x1"}
	swapped := &facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_LINES_SWAPPED, Line: "x0", OtherLine: "x1"}
	caseOf := func(oneOf ...*facetdv1.Fault) []*facetdv1.FaultCase {
		return []*facetdv1.FaultCase{{Places: []*facetdv1.FaultPlace{{OneOf: oneOf}}}}
	}
	result := &facetdv1.ProbeResult{
		Verdict: facetdv1.ProbeVerdict_PROBE_VERDICT_FAULTY, Readouts: 2, Explanations: 2, PairsConsidered: true,
		Cases: caseOf(shorted, stuck), Report: "- one of these 2:\n",
		Chips: []*facetdv1.ProbedChip{
			{Chip: "eye-0", Measured: facetdv1.LaneLevel_LANE_LEVEL_DRIVEN, InferredDrives: facetdv1.Answer_ANSWER_YES},
			{Chip: "eye-1", NotMeasured: "chips eye-0 and eye-1 would drive lane a together"},
		},
		ByHand: []*facetdv1.HandMeasurement{{What: "measure line x1", Outcomes: []*facetdv1.HandOutcome{
			{Shows: "it stays active", Cases: caseOf(stuck)}, {Shows: "it changes", Cases: caseOf(shorted)},
		}}},
	}
	switch r.GetMaxReadouts() {
	case 1: // it ends before it knows
		result = &facetdv1.ProbeResult{Verdict: facetdv1.ProbeVerdict_PROBE_VERDICT_FAULT_FREE, Readouts: 1,
			EndedEarly: "no more readouts were allowed", Report: "The probe ended early.\n"}
	case 8: // a fault-free array
		result = &facetdv1.ProbeResult{Verdict: facetdv1.ProbeVerdict_PROBE_VERDICT_FAULT_FREE, Readouts: 8,
			Report: "No fault found, and none left open.\n"}
	case 9: // one on which a fault would not show
		result = &facetdv1.ProbeResult{Verdict: facetdv1.ProbeVerdict_PROBE_VERDICT_NOT_EXCLUDED, Readouts: 9,
			Cases: caseOf(swapped), Report: "Some cannot be excluded.\n"}
	}
	return s.Send(&facetdv1.ProbeSelectsResponse{Event: &facetdv1.ProbeSelectsResponse_Result{Result: result}})
}

func (f *fake) SetFaults(_ context.Context, r *facetdv1.SetFaultsRequest) (*facetdv1.SetFaultsResponse, error) {
	f.note(r)
	return &facetdv1.SetFaultsResponse{EffectiveBusNs: 1_500_000_000}, nil
}

func (f *fake) ListFaults(_ context.Context, r *facetdv1.ListFaultsRequest) (*facetdv1.ListFaultsResponse, error) {
	f.note(r)
	return &facetdv1.ListFaultsResponse{Contentions: 3, Faults: []*facetdv1.Fault{
		{Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: "eye-1"},
		{Kind: facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_ACTIVE, Chip: "eye-0", Input: 1, Line: "x1"},
	}}, nil
}

func (f *fake) ClearFaults(_ context.Context, r *facetdv1.ClearFaultsRequest) (*facetdv1.ClearFaultsResponse, error) {
	f.note(r)
	return &facetdv1.ClearFaultsResponse{EffectiveBusNs: 2_000_000_000}, nil
}

func (f *fake) GetScene(_ context.Context, r *facetdv1.GetSceneRequest) (*facetdv1.GetSceneResponse, error) {
	f.note(r)
	f.mu.Lock()
	defer f.mu.Unlock()
	return &facetdv1.GetSceneResponse{Environment: f.around}, nil
}

func (f *fake) SetScene(_ context.Context, r *facetdv1.SetSceneRequest) (*facetdv1.SetSceneResponse, error) {
	f.note(r)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.around = &facetdv1.Environment{Scene: cmp.Or(r.GetScene(), f.around.GetScene()),
		TemperatureOffsetK: f.around.GetTemperatureOffsetK()}
	if r.TemperatureOffsetK != nil {
		f.around.TemperatureOffsetK = r.GetTemperatureOffsetK()
	}
	return &facetdv1.SetSceneResponse{EffectiveBusNs: 3_000_000_000, Environment: f.around}, nil
}

func (f *fake) ListEvents(_ context.Context, r *facetdv1.ListEventsRequest) (*facetdv1.ListEventsResponse, error) {
	f.note(r)
	at := timestamppb.New(time.Date(2026, 3, 1, 12, 0, 0, 5e6, time.UTC))
	return &facetdv1.ListEventsResponse{LastSequence: 2, FirstSequence: 1, Events: []*facetdv1.Event{
		{Sequence: 1, Time: at, Severity: facetdv1.Severity_SEVERITY_INFO,
			Kind: facetdv1.EventKind_EVENT_KIND_TASK_ADDED, Text: "task look was added", Task: "look"},
		{Sequence: 2, Time: at, Severity: facetdv1.Severity_SEVERITY_WARNING,
			Kind: facetdv1.EventKind_EVENT_KIND_DEADLINE_MISSED, Text: "3 jobs ended late", Task: "look", Count: 3},
	}}, nil
}

func fakeReplay() *facetdv1.Replay {
	return &facetdv1.Replay{Files: []string{"bend-001.mcap", "bend-002.mcap"}, FirstBusNs: 2_500_000_000,
		LastBusNs: 62_500_000_000, BusNs: 10_125_000_000, Speed: 1}
}

func (f *fake) GetReplay(_ context.Context, r *facetdv1.GetReplayRequest) (*facetdv1.GetReplayResponse, error) {
	f.note(r)
	return &facetdv1.GetReplayResponse{Replay: fakeReplay()}, nil
}

func (f *fake) PauseReplay(_ context.Context, r *facetdv1.PauseReplayRequest) (*facetdv1.PauseReplayResponse, error) {
	f.note(r)
	got := fakeReplay()
	got.Paused = true
	return &facetdv1.PauseReplayResponse{Replay: got}, nil
}

func (f *fake) ResumeReplay(_ context.Context, r *facetdv1.ResumeReplayRequest) (*facetdv1.ResumeReplayResponse,
	error) {
	f.note(r)
	if r.GetSpeed() > 1000 {
		return nil, status.Error(codes.InvalidArgument, "speed: a speed of 2000 is not possible")
	}
	got := fakeReplay()
	if r.Speed != nil {
		got.Speed, got.Loop = r.GetSpeed(), true
	}
	return &facetdv1.ResumeReplayResponse{Replay: got}, nil
}

func (f *fake) StepReplay(_ context.Context, r *facetdv1.StepReplayRequest) (*facetdv1.StepReplayResponse, error) {
	f.note(r)
	got := fakeReplay()
	got.Paused, got.Ended = true, true
	return &facetdv1.StepReplayResponse{Replay: got}, nil
}

func (f *fake) SeekReplay(_ context.Context, r *facetdv1.SeekReplayRequest) (*facetdv1.SeekReplayResponse, error) {
	f.note(r)
	got := fakeReplay()
	got.BusNs = min(max(r.GetBusNs(), got.GetFirstBusNs()), got.GetLastBusNs())
	got.RecordedBusNs = got.GetBusNs()
	return &facetdv1.SeekReplayResponse{Replay: got}, nil
}
