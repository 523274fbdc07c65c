package server

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/daemon/config"
)

func (p *process) safeStop() facetdv1.SafeStopServiceClient {
	return facetdv1.NewSafeStopServiceClient(p.dial(p.Addresses().GRPC))
}

// stopped reports whether an error says with its details that the array was stopped by somebody and why.
func stopped(err error, why string) bool {
	for _, d := range status.Convert(err).Details() {
		f, is := d.(*errdetails.PreconditionFailure)
		if is && len(f.GetViolations()) == 1 && f.GetViolations()[0].GetType() == "SAFE_STOP" &&
			f.GetViolations()[0].GetSubject() == "this machine" &&
			strings.Contains(f.GetViolations()[0].GetDescription(), "stopped by this machine ("+why+") since ") {
			return status.Code(err) == codes.FailedPrecondition
		}
	}
	return false
}

// drain reads a stream to its end.
func drain[M any](s grpc.ServerStreamingClient[M], err error) error {
	for err == nil {
		_, err = s.Recv()
	}
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// refusals asks a daemon for everything that drives the bus or waits for frames.
func refusals(t *testing.T, p *process) map[string]error {
	t.Helper()
	ctx, conn := limited(t), p.dial(p.Addresses().GRPC)
	ring := &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "bed"}}
	out := map[string]error{}
	frames := facetdv1.NewFrameServiceClient(conn)
	_, out["capture"] = frames.CaptureFrames(ctx, &facetdv1.CaptureFramesRequest{Target: ring})
	_, out["command"] = facetdv1.NewCommandServiceClient(conn).SendCommand(ctx, &facetdv1.SendCommandRequest{
		Command: &facetdv1.Command{Target: ring, Action: &facetdv1.Command_Strobe{
			Strobe: facetdv1.Strobe_STROBE_RESET}}})
	_, out["stream"] = followtest.Open(ctx, conn, &facetdv1.FollowStart{})
	_, out["question for frames"] = frames.WaitFrameSets(ctx, &facetdv1.WaitFrameSetsRequest{})
	out["probe"] = drain(facetdv1.NewProbeServiceClient(conn).ProbeSelects(ctx, &facetdv1.ProbeSelectsRequest{}))
	out["bring-up"] = drain(facetdv1.NewBringupServiceClient(conn).StartBringup(ctx,
		&facetdv1.StartBringupRequest{Unattended: true}))
	calibrations := facetdv1.NewCalibrationServiceClient(conn)
	_, out["calibration"] = calibrations.StartCalibration(ctx, &facetdv1.StartCalibrationRequest{
		Target: ring, Method: facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET})
	return out
}

// TestSafeStopIsToldEverywhere: a stop ends streams and refuses whatever drives the bus, with who and why; status,
// health, metrics, events and the file have it; it outlives the daemon; and a resume ends all of that.
func TestSafeStopIsToldEverywhere(t *testing.T) {
	t.Parallel()
	s := withData(t)
	s.write("tasks.yaml", siteTasks(10, "crown"))
	p := s.start()
	p.runs("crown 10")
	stream, err := followtest.Open(limited(t), p.dial(p.Addresses().GRPC), &facetdv1.FollowStart{})
	if err == nil {
		_, err = stream.Recv()
	}
	if err != nil {
		t.Fatal(err)
	}
	_, err = p.safeStop().StopArray(limited(t), &facetdv1.StopArrayRequest{Reason: "two\nlines"})
	if status.Code(err) != codes.InvalidArgument || p.Stopped() != nil {
		t.Errorf("a reason of two lines: %v", err)
	}
	r, err := p.safeStop().StopArray(limited(t), &facetdv1.StopArrayRequest{Reason: "a cable is loose"})
	if err != nil {
		t.Fatal(err)
	}
	stop := r.GetSafeStop()
	if stop.GetLines().GetState() != facetdv1.LineState_LINE_STATE_CONFIRMED || !stop.GetStored() ||
		stop.GetRequests() != 1 || stop.GetReasons()[0].GetBy() != "this machine" {
		t.Errorf("the answer is %v", stop)
	}
	if err := stream.Drain(); !stopped(err, `"a cable is loose"`) {
		t.Errorf("the stream ended with %v", err)
	}
	p.isStopped(stop.GetRevision())
	p.end()

	if _, err := os.Stat(filepath.Join(s.dir, "data", "stop", "stop.json")); err != nil {
		t.Error(err)
	}
	p = s.start()
	p.isStopped(stop.GetRevision())
	if _, err := p.safeStop().ResumeArray(limited(t), &facetdv1.ResumeArrayRequest{Revision: 1}); status.Code(err) !=
		codes.FailedPrecondition {
		t.Errorf("resume of another stop: %v", err)
	}
	over, err := p.safeStop().ResumeArray(limited(t), &facetdv1.ResumeArrayRequest{Revision: stop.GetRevision()})
	if err != nil || over.GetSafeStop().GetStored() {
		t.Fatalf("%v, %v", over, err)
	}
	p.runs("crown 10")
	again, err := followtest.Open(limited(t), p.dial(p.Addresses().GRPC), &facetdv1.FollowStart{})
	if err == nil {
		_, err = again.Recv()
	}
	if err != nil {
		t.Errorf("a stream after the resume: %v", err)
	}
	if all := p.eventsOf(facetdv1.EventKind_EVENT_KIND_RESUMED); !strings.Contains(all, "resumed by this machine") {
		t.Errorf("the events are %s", all)
	}
	if _, err := os.Stat(filepath.Join(s.dir, "data", "stop", "stop.json")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the file: %v", err)
	}
	p.end()
	p = s.start()
	p.runs("crown 10")
	p.end()
}

// isStopped checks what a daemon tells that was stopped because a cable is loose.
func (p *process) isStopped(revision uint64) {
	p.t.Helper()
	const why = `"a cable is loose"`
	eventually(p.t, "the lines are inactive", func() bool {
		return p.Status().GetSafeStop().GetLines().GetState() == facetdv1.LineState_LINE_STATE_CONFIRMED
	})
	for what, err := range refusals(p.t, p) {
		if !stopped(err, why) {
			p.t.Errorf("%s: %v", what, err)
		}
	}
	st := p.Status()
	if st.GetState() != facetdv1.State_STATE_SAFE_STOP || st.GetSafeStop().GetRevision() != revision ||
		!st.GetSafeStop().GetStored() {
		p.t.Errorf("the status is %v", st)
	}
	code, body := p.get("/healthz")
	if code != 503 || !strings.Contains(body, "safe_stop: stopped by this machine ("+why+") since ") {
		p.t.Errorf("healthz %d: %s", code, body)
	}
	health := grpc_health_v1.NewHealthClient(p.dial(p.Addresses().GRPC))
	if h, err := health.Check(limited(p.t), &grpc_health_v1.HealthCheckRequest{}); err != nil ||
		h.GetStatus() != grpc_health_v1.HealthCheckResponse_NOT_SERVING {
		p.t.Errorf("health %v, %v", h, err)
	}
	if err := p.healthy(limited(p.t)); err != nil {
		p.t.Errorf("the watchdog would restart it: %v", err)
	}
	if said := p.statusLine(); !strings.Contains(said, why) {
		p.t.Errorf("the service manager is told %q", said)
	}
	for series, want := range map[string]float64{`facetd_state{state="safe_stop"}`: 1, `facetd_state{state="running"}`: 0,
		"facetd_safe_stop_unconfirmed": 0, "facetd_safe_stop_unstored": 0} {
		if v := p.metric(series); v != want {
			p.t.Errorf("%s is %v", series, v)
		}
	}
	if all := p.eventsOf(facetdv1.EventKind_EVENT_KIND_SAFE_STOP); !strings.Contains(all, why) ||
		!strings.Contains(all, "every line is inactive") {
		p.t.Errorf("the events are %s", all)
	}
}

// eventsOf are the texts of the events of a kind, the newest last.
func (p *process) eventsOf(kind facetdv1.EventKind) string {
	p.t.Helper()
	r, err := facetdv1.NewEventServiceClient(p.dial(p.Addresses().GRPC)).ListEvents(limited(p.t),
		&facetdv1.ListEventsRequest{Filter: &facetdv1.EventFilter{Kinds: []facetdv1.EventKind{kind}}})
	if err != nil {
		p.t.Fatal(err)
	}
	var out []string
	for _, e := range r.GetEvents() {
		out = append(out, e.GetText())
	}
	return strings.Join(out, "\n")
}

// TestSafeStopEndsAMeasurement: a probe and a bring-up that hold the array end with the stop, and let it go.
func TestSafeStopEndsAMeasurement(t *testing.T) {
	t.Parallel()
	c := quick()
	c.Tasks = config.None
	p := start(t, c)
	conn := p.dial(p.Addresses().GRPC)
	for name, begin := range map[string]func(ctx context.Context) (<-chan error, error){
		"probe": func(ctx context.Context) (<-chan error, error) {
			return whileOpen(facetdv1.NewProbeServiceClient(conn).ProbeSelects(ctx,
				&facetdv1.ProbeSelectsRequest{Thorough: true}))
		},
		"bring-up": func(ctx context.Context) (<-chan error, error) {
			return whileOpen(facetdv1.NewBringupServiceClient(conn).StartBringup(ctx,
				&facetdv1.StartBringupRequest{Unattended: true, VirtualLight: true}))
		},
	} {
		stop := func() error {
			ended, err := begin(limited(t))
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			r, err := p.safeStop().StopArray(limited(t), &facetdv1.StopArrayRequest{Reason: "enough"})
			if err != nil || r.GetSafeStop().GetLines().GetState() != facetdv1.LineState_LINE_STATE_CONFIRMED {
				t.Fatalf("stop in a %s: %v, %v", name, r, err)
			}
			if r.GetSafeStop().GetStored() || !strings.Contains(r.GetSafeStop().GetNotStoredReason(), "--data") {
				t.Errorf("without a folder for data it is %v", r)
			}
			return <-ended
		}
		err := stop()
		for range 20 { // at the free pace it may be over before the stop comes
			if err != nil {
				break
			}
			p.resume(t)
			err = stop()
		}
		if !stopped(err, `"enough"`) {
			t.Errorf("the %s ended with %v", name, err)
		}
		p.resume(t)
		probe := drain(facetdv1.NewProbeServiceClient(conn).ProbeSelects(limited(t),
			&facetdv1.ProbeSelectsRequest{MaxReadouts: 1}))
		if probe != nil {
			t.Errorf("a probe after the stop of a %s: %v", name, probe)
		}
	}
}

func (p *process) resume(t *testing.T) {
	t.Helper()
	if _, err := p.safeStop().ResumeArray(limited(t), &facetdv1.ResumeArrayRequest{}); err != nil {
		t.Fatal(err)
	}
}

// whileOpen returns once a stream has given its first message, with the channel of its end.
func whileOpen[M any](s grpc.ServerStreamingClient[M], err error) (<-chan error, error) {
	if err == nil {
		_, err = s.Recv()
	}
	if err != nil {
		return nil, err
	}
	ended := make(chan error, 1)
	go func() { ended <- drain(s, nil) }()
	return ended, nil
}
