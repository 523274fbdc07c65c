package api

import (
	"context"
	"net"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/daemon/demo"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/stream"
)

// fake is a dispatcher that answers what it is told to, and notes what it is asked.
type fake struct {
	mu   sync.Mutex
	snap dispatch.Snapshot
	err  error // of every request
	// panics is what every request panics with.
	panics any
	plan   *facetdv1.Plan
	done   dispatch.Done
	// asked is the last request.
	asked []any
}

var _ dispatch.Service = (*fake)(nil)

func (f *fake) note(asked ...any) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.asked = asked
	if f.panics != nil {
		panic(f.panics)
	}
	return f.err
}

func (f *fake) Apply(_ context.Context, c *facetdv1.TaskChanges) (dispatch.Change, error) {
	return dispatch.Change{Effective: 11, Revision: 4}, f.note("apply", c)
}
func (f *fake) Preview(_ context.Context, c *facetdv1.TaskChanges, _ bool) (*facetdv1.Plan, error) {
	return f.plan, f.note("preview", c)
}
func (f *fake) Capture(_ context.Context, r *facetdv1.CaptureFramesRequest) (dispatch.Done, error) {
	return f.done, f.note("capture", r)
}
func (f *fake) PreviewCapture(_ context.Context, r *facetdv1.PreviewCaptureRequest) (
	*facetdv1.PreviewCaptureResponse, error) {
	return &facetdv1.PreviewCaptureResponse{JobNs: 5}, f.note("preview capture", r)
}
func (f *fake) Send(_ context.Context, c *facetdv1.Command) (dispatch.Done, error) {
	return f.done, f.note("send", c)
}
func (f *fake) SetParameters(_ context.Context, r *facetdv1.SetTaskParametersRequest) (
	*facetdv1.SetTaskParametersResponse, error) {
	return &facetdv1.SetTaskParametersResponse{FirstJob: 7, Views: r.GetViews()}, f.note("parameters", r)
}
func (f *fake) Trigger(_ context.Context, task string) (*facetdv1.TriggerTaskResponse, error) {
	return &facetdv1.TriggerTaskResponse{Job: 3}, f.note("trigger", task)
}
func (f *fake) Snapshot() dispatch.Snapshot {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.snap
}

func (f *fake) set(change func(*fake)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change(f)
}

func running(names ...string) []*facetdv1.RunningTask {
	var tasks []*facetdv1.RunningTask
	for _, n := range names {
		tasks = append(tasks, &facetdv1.RunningTask{Task: &facetdv1.Task{Name: n},
			Status: &facetdv1.TaskStatus{JobsOnTime: 9}})
	}
	return tasks
}

// rig is a server on a real loopback listener, with a connection to it.
type rig struct {
	*Server
	fake  *fake
	array *chipmodel.Array
	hub   *stream.Hub
	conn  *grpc.ClientConn
	logs  *observer.ObservedLogs
	// address is where the server listens.
	address string
}

func start(t testing.TB) *rig {
	t.Helper()
	array, err := demo.Array()
	if err != nil {
		t.Fatal(err)
	}
	core, logs := observer.New(zapcore.DebugLevel)
	r := &rig{fake: &fake{}, array: array, hub: stream.NewHub(), logs: logs}
	r.fake.snap = dispatch.Snapshot{State: facetdv1.State_STATE_RUNNING, Tasks: running("ring", "bed")}
	r.Server = New(Config{
		Array: array, Dispatch: r.fake, Hub: r.hub, Logger: zap.New(core),
		Info: Info{Version: "1.2.3", Bus: "virtual", Pace: facetdv1.Pace_PACE_FREE, Seed: 5,
			Started: time.Unix(1_700_000_000, 0), Boot: "boot"},
		Clock: func() (*facetdv1.Clock, error) { return &facetdv1.Clock{BusNs: 5, MonotonicNs: 6, UtcEpoch: 7}, nil },
	})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r.address = l.Addr().String()
	served := make(chan error, 1)
	go func() { served <- r.Serve(l) }()
	r.conn, err = grpc.NewClient(l.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(MaxSendBytes)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		r.conn.Close()
		r.hub.Close("the test is over")
		r.Stop(time.Second)
		if err := <-served; err != nil {
			t.Errorf("serve ended with %v", err)
		}
	})
	return r
}

// patience is how long tests wait for what comes at once on a machine of their own: nothing is measured by it.
const patience = 2 * time.Minute

func limited(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	t.Cleanup(cancel)
	return ctx
}
