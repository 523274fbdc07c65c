package dial

import (
	"context"
	"net"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
)

// unavailable is a daemon that cannot be reached at every other try, and notes the ids of the requests.
type unavailable struct {
	facetdv1.UnimplementedTaskServiceServer
	ids []string
}

func (u *unavailable) note(id string) error {
	u.ids = append(u.ids, id)
	if len(u.ids)%2 == 1 {
		return status.Error(codes.Unavailable, "not now")
	}
	return nil
}

func (u *unavailable) CreateTask(_ context.Context, r *facetdv1.CreateTaskRequest) (*facetdv1.CreateTaskResponse,
	error) {
	return &facetdv1.CreateTaskResponse{}, u.note(r.GetRequestId())
}

func (u *unavailable) TriggerTask(_ context.Context, r *facetdv1.TriggerTaskRequest) (*facetdv1.TriggerTaskResponse,
	error) {
	return &facetdv1.TriggerTaskResponse{}, u.note(r.GetRequestId())
}

func (u *unavailable) ListTasks(context.Context, *facetdv1.ListTasksRequest) (*facetdv1.ListTasksResponse, error) {
	return &facetdv1.ListTasksResponse{Revision: 1}, nil
}

// Every request has an id of its own, and one that changes tasks is sent again with it where the connection breaks.
func TestRequestsAreSentAgain(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	daemon, server := &unavailable{}, grpc.NewServer()
	facetdv1.RegisterTaskServiceServer(server, daemon)
	go server.Serve(l)
	defer server.Stop()
	conn, err := New(l.Addr().String(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	tasks := facetdv1.NewTaskServiceClient(conn)
	request := &facetdv1.CreateTaskRequest{Task: &facetdv1.Task{Name: "a"}}
	for range 2 {
		if _, err := tasks.CreateTask(ctx, request); err != nil {
			t.Fatal(err)
		}
	}
	if ids := daemon.ids; len(ids) != 4 || ids[0] == "" || ids[0] != ids[1] || ids[2] != ids[3] || ids[0] == ids[2] {
		t.Errorf("the tries of two requests had the ids %q", ids)
	}
	if request.GetRequestId() != "" {
		t.Error("the caller's request was changed")
	}
	request.RequestId = "mine"
	if _, err := tasks.CreateTask(ctx, request); err != nil || daemon.ids[5] != "mine" {
		t.Errorf("%v, ids %q", err, daemon.ids)
	}
	// The daemon forgets with a restart which jobs were triggered: the caller decides.
	if _, err := tasks.TriggerTask(ctx, &facetdv1.TriggerTaskRequest{Task: "a"}); status.Code(err) !=
		codes.Unavailable || len(daemon.ids) != 7 || daemon.ids[6] == "" {
		t.Errorf("%v, ids %q", err, daemon.ids)
	}
	if r, err := tasks.ListTasks(ctx, &facetdv1.ListTasksRequest{}); err != nil || r.GetRevision() != 1 {
		t.Errorf("a request without an id: %v %v", r, err)
	}
}
