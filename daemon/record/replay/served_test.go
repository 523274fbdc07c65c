package replay

import (
	"context"
	"errors"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/api/framedigest"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/daemon/api"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
	"facetd.example/daemon/record"
	"facetd.example/daemon/stream"
)

// A client of the daemon's API gets from a replay the frame sets that it would have got
// from the array, through the same stream, and sees the same array, tasks and state;
// what it asks of the array is refused with a reason.
func TestAClientCannotTellTheDifference(t *testing.T) {
	s := recorded(t)
	hub := stream.NewHub()
	w := &watcher{}
	p, err := New(Config{Files: s.files, Observer: both{w, publish{hub}}, Stepped: true})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	array, wrong := chipmodel.New(p.Array())
	if len(wrong) > 0 || array.Digest == "" {
		t.Fatal(wrong)
	}
	server := api.New(api.Config{Array: array, Dispatch: p, Hub: hub, Logger: zap.NewNop(),
		Info: api.Info{Bus: "replay"}})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go server.Serve(l)
	defer server.Stop(time.Second)
	conn, err := grpc.NewClient(l.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	frames, err := followtest.Open(ctx, conn, followtest.All())
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	runCtx, stop := context.WithCancel(ctx)
	go func() { ended <- p.Run(runCtx) }()
	if err := p.SetSpeed(0); err != nil {
		t.Fatal(err)
	}
	got := framedigest.New()
	for range s.live.sets {
		m, err := frames.Recv()
		if err != nil || m.GetDroppedTotal() > 0 {
			t.Fatal(m.GetDroppedTotal(), err)
		}
		got.Add(m.GetFrameSet())
	}
	if got.Sum() != digest(s.live.sets) {
		t.Errorf("the client got %s, the run had %s", got.Sum(), digest(s.live.sets))
	}
	st, err := facetdv1.NewStatusServiceClient(conn).GetStatus(ctx, &facetdv1.GetStatusRequest{})
	if err != nil || st.GetStatus().GetState() != facetdv1.State_STATE_RUNNING ||
		len(st.GetStatus().GetTasks()) != len(s.final.Tasks) ||
		st.GetStatus().GetArray() != array.Name || st.GetStatus().GetPlannedUtilization() != s.final.PlannedUtil {
		t.Errorf("status %v %v", st, err)
	}
	a, err := facetdv1.NewArrayServiceClient(conn).GetArray(ctx, &facetdv1.GetArrayRequest{})
	if err != nil || a.GetDigest() != array.Digest {
		t.Errorf("array %v %v", a.GetDigest(), err)
	}
	_, err = facetdv1.NewTaskServiceClient(conn).CreateTask(ctx,
		&facetdv1.CreateTaskRequest{Task: s.live.plans[0].GetTasks()[0]})
	if status.Code(err) != codes.FailedPrecondition || len(status.Convert(err).Details()) != 1 {
		t.Errorf("a task: %v", err)
	}
	_, err = facetdv1.NewCommandServiceClient(conn).SendCommand(ctx,
		&facetdv1.SendCommandRequest{Command: &facetdv1.Command{}})
	if status.Code(err) != codes.FailedPrecondition {
		t.Errorf("a command: %v", err)
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// publish hands frame sets to streams.
type publish struct{ hub *stream.Hub }

func (p publish) JobEnded(fs *facetdv1.FrameSet)                   { p.hub.Publish(fs) }
func (publish) PlanChanged(*facetdv1.Plan, bus.Time, bus.Time)     {}
func (publish) Violated(rules.Violation)                           {}
func (publish) SegmentRun(string, *bus.Result, dispatch.WordCount) {}

// Rule violations are reported as such, and only those events are passed on that nobody makes
// again.
func TestViolationsAndEvents(t *testing.T) {
	dir := t.TempDir()
	m := small(t, dir)
	if _, err := m.Start("l", nil); err != nil {
		t.Fatal(err)
	}
	m.JobEnded(&facetdv1.FrameSet{Task: "x", FinishBusNs: 10})
	m.Event(&facetdv1.Event{Kind: facetdv1.EventKind_EVENT_KIND_RULE_VIOLATION, BusNs: new(int64(11)),
		Text: "bus rule 4 violated: too soon", Chips: []string{"c"}, Fields: events.Fields{"rule": events.Integer(4)}})
	m.Event(&facetdv1.Event{Kind: facetdv1.EventKind_EVENT_KIND_DEADLINE_MISSED, BusNs: new(int64(12))})
	m.Event(&facetdv1.Event{Kind: facetdv1.EventKind_EVENT_KIND_CALIBRATION, BusNs: new(int64(13)), Text: "calibrated"})
	m.JobEnded(&facetdv1.FrameSet{Task: "x", Job: 1, FinishBusNs: 20})
	if _, err := m.Stop(t.Context(), "l"); err != nil {
		t.Fatal(err)
	}
	w := &watcher{}
	var passed []*facetdv1.Event
	p, err := New(Config{Files: []string{filepath.Join(dir, "l-001.mcap")}, Observer: w,
		Events: func(e *facetdv1.Event) { passed = append(passed, e) }})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	runUntil(t, p, w, 2)
	if len(w.broken) != 1 || w.broken[0].String() != (rules.Violation{Rule: 4, At: 11, Message: "too soon",
		Chips: []string{"c"}}).String() || p.Snapshot().Violations != 1 {
		t.Errorf("rules %v", w.broken)
	}
	if len(passed) < 2 || passed[0].GetKind() != facetdv1.EventKind_EVENT_KIND_REPLAY ||
		passed[1].GetText() != "calibrated" ||
		slices.ContainsFunc(passed[2:],
			func(e *facetdv1.Event) bool { return e.GetKind() != facetdv1.EventKind_EVENT_KIND_REPLAY }) {
		t.Errorf("events %v", passed)
	}
	if len(w.plans) != 0 {
		t.Errorf("plans that nobody recorded: %v", w.plans)
	}
}

// A file that is damaged in the middle plays up to there and then is a fault.
func TestDamageIsAFault(t *testing.T) {
	dir := t.TempDir()
	m := small(t, dir)
	if _, err := m.Start("d", &facetdv1.RecordingOptions{PartBytes: 1 << 22}); err != nil { // chunks of 1 MiB
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for job := range 30 {
		pixels := make([]byte, 100<<10) // that cannot be packed
		for i := range pixels {
			pixels[i] = byte(rng.Uint32())
		}
		m.JobEnded(&facetdv1.FrameSet{Task: "x", Job: uint64(job), FinishBusNs: int64(10 + job),
			Frames: []*facetdv1.Frame{{Data: pixels}}})
	}
	if _, err := m.Stop(t.Context(), "d"); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "d-001.mcap")
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	data[len(data)/2] ^= 0xff // in the second of three chunks, neither the first nor the last of its task
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	w := &watcher{}
	p, err := New(Config{Files: []string{path}, Observer: w})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if err := p.Run(t.Context()); !errors.As(err, new(*record.DamagedError)) {
		t.Errorf("run: %v", err)
	}
	if snap := p.Snapshot(); snap.State != facetdv1.State_STATE_FAULT || snap.Fault == "" || len(w.sets) < 5 ||
		len(w.sets) > 15 {
		t.Errorf("%v %q after %d frame sets", snap.State, snap.Fault, len(w.sets))
	}
}

// small makes recordings of an array that is only a name.
func small(t *testing.T, dir string) *record.Manager {
	t.Helper()
	m, err := record.NewManager(record.Config{
		Dir: dir, Array: &chipmodel.Array{Name: "a", Digest: "d", Message: &facetdv1.Array{Name: "a"}}, KeepFree: 1,
		Now:      func() bus.Time { return 1 },
		HostTime: func(ns bus.Time) (time.Time, time.Duration) { return time.Unix(1e9, ns.NS()), 0 },
	})
	if err != nil {
		t.Fatal(err)
	}
	return m
}
