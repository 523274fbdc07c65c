package api

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/daemon/dispatch"
	statuses "facetd.example/daemon/status"
)

// elsewhere are services of the schema that are not of this package: they come in
// through Config.More, and daemon/server tests that all are there.
var elsewhere = []string{
	"facetd.v1.ProbeService", "facetd.v1.FaultService", "facetd.v1.RecordService", "facetd.v1.EventService",
	"facetd.v1.SceneService", "facetd.v1.ReplayService", "facetd.v1.BringupService", "facetd.v1.CalibrationService",
	"facetd.v1.SafeStopService", "facetd.v1.LockstepService", "facetd.v1.DeviceService", "facetd.v1.HealthService",
	"facetd.v1.MotionService", "facetd.v1.HistoryService",
}

// methods are all methods of all services of the schema, by full name of service.
func methods(t *testing.T) map[string][]protoreflect.MethodDescriptor {
	t.Helper()
	all := map[string][]protoreflect.MethodDescriptor{}
	protoregistry.GlobalFiles.RangeFilesByPackage("facetd.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			s := f.Services().Get(i)
			for j := range s.Methods().Len() {
				all[string(s.FullName())] = append(all[string(s.FullName())], s.Methods().Get(j))
			}
		}
		return true
	})
	if len(all) < 6 {
		t.Fatalf("only %d services found in the schema", len(all))
	}
	return all
}

// Every method of every service of the schema is registered and does something: a
// method that is left to the generated base answers UNIMPLEMENTED.
func TestEveryMethodIsServed(t *testing.T) {
	r := start(t)
	r.Drain("so that streams end")
	r.hub.Close("so that streams end")
	for service, all := range methods(t) {
		info, registered := r.grpc.GetServiceInfo()[service]
		if slices.Contains(elsewhere, service) {
			if registered {
				t.Errorf("%s is registered here; take it off the list of others", service)
			}
			continue
		}
		if len(info.Methods) != len(all) {
			t.Errorf("%s: %d methods registered, the schema has %d", service, len(info.Methods), len(all))
		}
		for _, m := range all {
			name := "/" + service + "/" + string(m.Name())
			desc := &grpc.StreamDesc{ServerStreams: m.IsStreamingServer()}
			s, err := r.conn.NewStream(limited(t), desc, name)
			if err != nil {
				t.Fatal(err)
			}
			if err := s.SendMsg(dynamicpb.NewMessage(m.Input())); err != nil {
				t.Fatal(err)
			}
			if err := s.CloseSend(); err != nil {
				t.Fatal(err)
			}
			err = s.RecvMsg(dynamicpb.NewMessage(m.Output()))
			if c := status.Code(err); c == codes.Unimplemented || c == codes.Internal || c == codes.DeadlineExceeded {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
}

func TestReflectionListsTheServices(t *testing.T) {
	r := start(t)
	c, err := grpc_reflection_v1.NewServerReflectionClient(r.conn).ServerReflectionInfo(limited(t))
	if err != nil {
		t.Fatal(err)
	}
	ask := func(q *grpc_reflection_v1.ServerReflectionRequest) *grpc_reflection_v1.ServerReflectionResponse {
		if err := c.Send(q); err != nil {
			t.Fatal(err)
		}
		a, err := c.Recv()
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	list := ask(&grpc_reflection_v1.ServerReflectionRequest{
		MessageRequest: &grpc_reflection_v1.ServerReflectionRequest_ListServices{},
	})
	var names []string
	for _, s := range list.GetListServicesResponse().GetService() {
		names = append(names, s.GetName())
	}
	for service := range methods(t) {
		if !slices.Contains(elsewhere, service) && !slices.Contains(names, service) {
			t.Errorf("%s is not listed: %v", service, names)
		}
	}
	if !slices.Contains(names, "grpc.health.v1.Health") {
		t.Errorf("health is not listed: %v", names)
	}
	file := ask(&grpc_reflection_v1.ServerReflectionRequest{
		MessageRequest: &grpc_reflection_v1.ServerReflectionRequest_FileContainingSymbol{
			FileContainingSymbol: "facetd.v1.FrameSet",
		},
	})
	if len(file.GetFileDescriptorResponse().GetFileDescriptorProto()) == 0 {
		t.Errorf("the schema of a frame set is not served: %v", file)
	}
}

func TestMoreServices(t *testing.T) {
	r := start(t)
	cfg := r.cfg
	cfg.More = func(g grpc.ServiceRegistrar) {
		facetdv1.RegisterFaultServiceServer(g, facetdv1.UnimplementedFaultServiceServer{})
	}
	s := New(cfg)
	defer s.Stop(0)
	if !slices.Contains(s.names, "facetd.v1.FaultService") {
		t.Errorf("services are %v", s.names)
	}
}

func TestHealthFollowsTheDispatcher(t *testing.T) {
	r := start(t)
	c := grpc_health_v1.NewHealthClient(r.conn)
	const serving, not = grpc_health_v1.HealthCheckResponse_SERVING, grpc_health_v1.HealthCheckResponse_NOT_SERVING
	check := func(want servingStatus) {
		t.Helper()
		list, err := c.List(limited(t), &grpc_health_v1.HealthListRequest{})
		if err != nil || list.GetStatuses()["facetd.v1.TaskService"] == nil || list.GetStatuses()[""] == nil {
			t.Fatalf("list: %v %v", list, err)
		}
		for name, st := range list.GetStatuses() {
			one, err := c.Check(limited(t), &grpc_health_v1.HealthCheckRequest{Service: name})
			if err != nil || one.GetStatus() != want || st.GetStatus() != want {
				t.Errorf("%q: check %v %v, list %v, want %v", name, one, err, st, want)
			}
		}
	}
	watch, err := c.Watch(limited(t), &grpc_health_v1.HealthCheckRequest{Service: "facetd.v1.FrameService"})
	if err != nil {
		t.Fatal(err)
	}
	next := func(want servingStatus) {
		t.Helper()
		if got, err := watch.Recv(); err != nil || got.GetStatus() != want {
			t.Errorf("watch: %v %v, want %v", got, err, want)
		}
	}
	next(serving)
	check(serving)
	for _, state := range []facetdv1.State{facetdv1.State_STATE_STARTING, facetdv1.State_STATE_FAULT,
		facetdv1.State_STATE_STOPPING} {
		r.fake.set(func(f *fake) { f.snap.State = state })
		check(not)
	}
	next(not)
	r.fake.set(func(f *fake) { f.snap.State = facetdv1.State_STATE_RUNNING })
	next(serving)
	r.Drain("going down")
	next(not)
	check(not)
	if _, err := watch.Recv(); status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), "going down") {
		t.Errorf("watch ended with %v", err)
	}
	if _, err := c.Check(limited(t),
		&grpc_health_v1.HealthCheckRequest{Service: "none"}); status.Code(err) != codes.NotFound {
		t.Errorf("unknown service: %v", err)
	}
}

func TestArrayService(t *testing.T) {
	r := start(t)
	c := facetdv1.NewArrayServiceClient(r.conn)
	got, err := c.GetArray(limited(t), &facetdv1.GetArrayRequest{})
	g, wrong := c.GetGeometry(limited(t), &facetdv1.GetGeometryRequest{Digest: r.Identity().GetGeometryDigest()})
	if wrong != nil || !proto.Equal(g.GetGeometry(), r.array.Geometry()) || len(g.GetGeometry().GetChips()) == 0 {
		t.Errorf("geometry %v, %v", g, wrong)
	}
	if _, wrong = c.GetGeometry(limited(t), &facetdv1.GetGeometryRequest{Digest: "other"}); status.Code(wrong) !=
		codes.NotFound {
		t.Errorf("a geometry of another array: %v", wrong)
	}
	if err != nil || !proto.Equal(got.GetArray(), r.array.Message) || got.GetDigest() != r.array.Digest {
		t.Errorf("array: %v", err)
	}
	// Under all lines every chip listens; under a chip's own lines it does.
	reach, err := c.ComputeReach(limited(t), &facetdv1.ComputeReachRequest{Lines: r.array.Lines})
	if err != nil || len(reach.GetWord().GetReaches()) != len(r.array.Chips) {
		t.Errorf("all lines reach %v %v", reach, err)
	}
	chip := r.array.Chips[7]
	reach, err = c.ComputeReach(limited(t), &facetdv1.ComputeReachRequest{Lines: r.array.LineNames(chip.Wires)})
	if err != nil || !slices.Contains(reach.GetWord().GetReaches(), chip.Name) {
		t.Errorf("%s: %v %v", chip.Name, reach, err)
	}
	_, err = c.ComputeReach(limited(t), &facetdv1.ComputeReachRequest{Lines: []string{"nowhere", r.array.Lines[0],
		r.array.Lines[0]}})
	if b := status.Convert(err).Details(); status.Code(err) != codes.InvalidArgument || len(b) != 1 ||
		len(b[0].(*errdetails.BadRequest).GetFieldViolations()) != 2 {
		t.Errorf("unknown and repeated lines: %v %v", err, b)
	}
	testCovers(t, r, c)
}

// testCovers checks covers against the definition: the reaches, worked out from the
// wires of the schema's message alone, are exactly the target, and disjoint where
// asked.
func testCovers(t *testing.T, r *rig, c facetdv1.ArrayServiceClient) {
	for _, g := range r.array.Message.GetGroups() {
		for _, once := range []bool{false, true} {
			target := &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: g.GetName()}}
			got, err := c.ComputeCover(limited(t), &facetdv1.ComputeCoverRequest{Target: target, Once: once})
			if err != nil {
				t.Errorf("group %s: %v", g.GetName(), err)
				continue
			}
			times := map[string]int{}
			for _, w := range got.GetWords() {
				for _, chip := range r.array.Message.GetChips() {
					if !slices.ContainsFunc(chip.GetSelects(),
						func(l string) bool { return !slices.Contains(w.GetLines(), l) }) {
						times[chip.GetName()]++
					}
				}
			}
			for chip, n := range times {
				if !slices.Contains(g.GetChips(), chip) || once && n > 1 {
					t.Errorf("group %s, once %v: chip %s is reached %d times", g.GetName(), once, chip, n)
				}
			}
			if len(times) != len(g.GetChips()) || got.GetLowerBound() > int64(len(got.GetWords())) ||
				got.GetOptimal() != (got.GetLowerBound() == int64(len(got.GetWords()))) {
				t.Errorf("group %s: %v", g.GetName(), got)
			}
		}
	}
	_, err := c.ComputeCover(limited(t),
		&facetdv1.ComputeCoverRequest{Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "none"}}})
	if d := status.Convert(err).Details(); status.Code(err) != codes.InvalidArgument || len(d) != 1 ||
		d[0].(*errdetails.BadRequest).GetFieldViolations()[0].GetField() != "target.group" {
		t.Errorf("unknown group: %v %v", err, d)
	}
}

// A target with a chip in the way is refused with its name, over the wire.
func TestCoverNamesTheChipInTheWay(t *testing.T) {
	a, m := chipmodel.New(&facetdv1.Array{
		SelectLines: []string{"a", "b", "c"},
		Chips: []*facetdv1.Chip{{Name: "both", Selects: []string{"a", "b"}},
			{Name: "one", Selects: []string{"a"}}, {Name: "far", Selects: []string{"c"}}},
	})
	if len(m) > 0 {
		t.Fatal(m)
	}
	s := &arrayService{s: &Server{cfg: Config{Array: a}}}
	list := func(names ...string) *facetdv1.Target {
		return &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: names}}}
	}
	_, err := s.ComputeCover(t.Context(), &facetdv1.ComputeCoverRequest{Target: list("both", "far")})
	if err = statuses.Of(a, err); status.Code(err) != codes.FailedPrecondition ||
		!strings.Contains(err.Error(), "chip both without one") {
		t.Errorf("got %v", err)
	}
	if got, err := s.ComputeCover(t.Context(),
		&facetdv1.ComputeCoverRequest{Target: list("both", "one")}); err != nil || len(got.GetWords()) != 1 {
		t.Errorf("got %v %v", got, err)
	}
}

func TestTasksAndPlans(t *testing.T) {
	r := start(t)
	tasks, plans := facetdv1.NewTaskServiceClient(r.conn), facetdv1.NewPlanServiceClient(r.conn)
	list, err := tasks.ListTasks(limited(t), &facetdv1.ListTasksRequest{})
	if err != nil || len(list.GetTasks()) != 2 || list.GetTasks()[1].GetTask().GetName() != "bed" {
		t.Errorf("list: %v %v", list, err)
	}
	got, err := tasks.GetTask(limited(t), &facetdv1.GetTaskRequest{Name: "bed"})
	if err != nil || got.GetTask().GetStatus().GetJobsOnTime() != 9 {
		t.Errorf("get: %v %v", got, err)
	}
	if _, err := tasks.GetTask(limited(t),
		&facetdv1.GetTaskRequest{Name: "none"}); status.Code(err) != codes.NotFound {
		t.Errorf("get of an unknown one: %v", err)
	}
	if _, err := tasks.CreateTask(limited(t),
		&facetdv1.CreateTaskRequest{}); status.Code(err) != codes.InvalidArgument {
		t.Errorf("create of nothing: %v", err)
	}
	asked := &facetdv1.Task{Name: "bed", RateHz: 4}
	created, err := tasks.CreateTask(limited(t), &facetdv1.CreateTaskRequest{Task: asked})
	if err != nil || created.GetEffectiveBusNs() != 11 || created.GetTask().GetStatus().GetJobsOnTime() != 9 ||
		created.GetRevision() != 4 || !proto.Equal(r.fake.asked[1].(*facetdv1.TaskChanges).GetAdd()[0], asked) {
		t.Errorf("create: %v %v after %v", created, err, r.fake.asked)
	}
	deleted, err := tasks.DeleteTask(limited(t), &facetdv1.DeleteTaskRequest{Name: "bed"})
	if err != nil || deleted.GetEffectiveBusNs() != 11 || deleted.GetRevision() != 4 ||
		r.fake.asked[1].(*facetdv1.TaskChanges).GetRemove()[0].GetName() != "bed" {
		t.Errorf("delete: %v %v after %v", deleted, err, r.fake.asked)
	}
	plan, err := plans.GetPlan(limited(t), &facetdv1.GetPlanRequest{})
	if err != nil || plan.GetPlan().GetArray() != r.array.Name {
		t.Errorf("plan without tasks: %v %v", plan, err)
	}
	r.fake.set(func(f *fake) {
		f.snap.Plan, f.snap.Epoch = &facetdv1.Plan{Array: "x", Utilization: 0.5}, 77
		f.plan = &facetdv1.Plan{Refusal: &facetdv1.Refusal{Message: "no"}}
	})
	plan, err = plans.GetPlan(limited(t), &facetdv1.GetPlanRequest{})
	if err != nil || plan.GetEpochBusNs() != 77 || plan.GetPlan().GetUtilization() != 0.5 {
		t.Errorf("plan: %v %v", plan, err)
	}
	changes := &facetdv1.TaskChanges{Remove: []*facetdv1.TaskRemoval{{Name: "ring"}}, ExpectedRevision: proto.Uint64(3),
		Update: []*facetdv1.TaskUpdate{{Task: asked, Etag: "e"}}}
	applied, err := tasks.ApplyTasks(limited(t), &facetdv1.ApplyTasksRequest{Changes: changes})
	if err != nil || applied.GetRevision() != 4 || applied.GetTasks()[0].GetStatus().GetJobsOnTime() != 9 ||
		!proto.Equal(r.fake.asked[1].(*facetdv1.TaskChanges), changes) {
		t.Errorf("apply: %v %v after %v", applied, err, r.fake.asked)
	}
	preview, err := plans.PreviewPlan(limited(t), &facetdv1.PreviewPlanRequest{Changes: changes})
	if err != nil || preview.GetPlan().GetRefusal().GetMessage() != "no" ||
		!proto.Equal(r.fake.asked[1].(*facetdv1.TaskChanges), changes) {
		t.Errorf("preview: %v %v after %v", preview, err, r.fake.asked)
	}
}

func TestOnDemand(t *testing.T) {
	r := start(t)
	r.fake.set(func(f *fake) {
		f.done = dispatch.Done{FrameSet: &facetdv1.FrameSet{Job: 3},
			Words: []*facetdv1.SelectWord{{Lines: []string{"a"}}}, Start: 5, Waited: 6}
	})
	captured, err := facetdv1.NewFrameServiceClient(r.conn).CaptureFrames(limited(t),
		&facetdv1.CaptureFramesRequest{})
	if err != nil || captured.GetFrameSet().GetJob() != 3 || captured.GetWaitedNs() != 6 {
		t.Errorf("capture: %v %v", captured, err)
	}
	c := facetdv1.NewCommandServiceClient(r.conn)
	load := &facetdv1.Command{Action: &facetdv1.Command_Strobe{Strobe: chipmodel.Load}}
	sent, err := c.SendCommand(limited(t), &facetdv1.SendCommandRequest{Command: load})
	if err != nil || sent.GetStartBusNs() != 5 || sent.GetWaitedNs() != 6 || len(sent.GetWords()) != 1 ||
		r.fake.asked[1].(*facetdv1.Command).GetStrobe() != chipmodel.Load {
		t.Errorf("send: %v %v after %v", sent, err, r.fake.asked)
	}
	if _, err := c.SendCommand(limited(t),
		&facetdv1.SendCommandRequest{}); status.Code(err) != codes.InvalidArgument {
		t.Errorf("no command: %v", err)
	}
}

func TestStatus(t *testing.T) {
	r := start(t)
	r.fake.set(func(f *fake) {
		f.snap.Now, f.snap.PlannedUtil, f.snap.Measured = 8e9, 0.5, 4e9
		f.snap.Busy[facetdv1.Phase_PHASE_CONVERT] = time.Second
		f.snap.Violations, f.snap.LastBroken = 2,
			[]rules.Violation{{Rule: 4, At: 9, Message: "early", Chips: []string{"c"}}}
	})
	c := facetdv1.NewStatusServiceClient(r.conn)
	got, err := c.GetStatus(limited(t), &facetdv1.GetStatusRequest{})
	if err != nil {
		t.Fatal(err)
	}
	clock, err := c.GetClock(limited(t), &facetdv1.GetClockRequest{})
	if k := clock.GetClock(); err != nil || k.GetBusNs() != 5 || k.GetMonotonicNs() != 6 || k.GetUtcEpoch() != 7 ||
		clock.GetIdentity().GetHostBootId() != "boot" {
		t.Errorf("clock %v, %v", clock, err)
	}
	st := got.GetStatus()
	shares := map[string]float64{}
	for _, p := range st.GetPhases() {
		shares[p.GetPhase().String()] = p.GetFraction()
	}
	if st.GetState() != facetdv1.State_STATE_RUNNING || st.GetVersion() != "1.2.3" || st.GetBus() != "virtual" ||
		st.GetPace() != facetdv1.Pace_PACE_FREE || st.GetSeed() != 5 ||
		st.GetArray() != r.array.Name || st.GetBusNs() != 8e9 || st.GetStartTime().GetSeconds() != 1_700_000_000 ||
		st.GetPlannedUtilization() != 0.5 || st.GetMeasuredUtilization() != 0.25 || shares["PHASE_CONVERT"] != 0.25 ||
		len(shares) != 6 || len(st.GetTasks()) != 2 ||
		st.GetRuleViolations() != 2 || !proto.Equal(st.GetLastViolations()[0],
		&facetdv1.RuleViolation{Rule: 4, BusNs: 9, Message: "early", Chips: []string{"c"}}) {
		t.Errorf("status %v", st)
	}

	bad, err := c.WatchStatus(limited(t), &facetdv1.WatchStatusRequest{Interval: durationpb.New(49 * time.Millisecond)})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := bad.Recv(); status.Code(err) != codes.InvalidArgument {
		t.Errorf("an interval of 49 ms: %v", err)
	}
	ctx, cancel := context.WithCancel(limited(t))
	defer cancel()
	watch, err := c.WatchStatus(ctx, &facetdv1.WatchStatusRequest{Interval: durationpb.New(50 * time.Millisecond)})
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if m, err := watch.Recv(); err != nil || m.GetStatus().GetBusNs() != 8e9 {
			t.Fatalf("watch: %v %v", m, err)
		}
	}
	r.Drain("going down")
	for err == nil {
		_, err = watch.Recv()
	}
	if status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), "going down") {
		t.Errorf("watch ended with %v", err)
	}
	if st := r.Status(); st.GetState() != facetdv1.State_STATE_STOPPING {
		t.Errorf("state %v while draining", st.GetState())
	}
}
