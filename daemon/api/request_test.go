package api

import (
	"context"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/access"
	"facetd.example/daemon/demo"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/stream"
)

// inVirtualTime runs a test with a server behind a gate, in a bubble of synctest.
func inVirtualTime(t *testing.T, test func(t *testing.T, s *Server, conn *grpc.ClientConn)) {
	t.Helper()
	array, err := demo.Array()
	if err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		gate, err := access.New(access.DefaultSettings(), access.Options{})
		if err != nil {
			t.Fatal(err)
		}
		hub := stream.NewHub()
		s := New(Config{Array: array, Hub: hub, Logger: zap.NewNop(), Access: gate, Dispatch: &fake{
			snap: dispatch.Snapshot{State: facetdv1.State_STATE_RUNNING, Tasks: running("ring")}}})
		raw := bufconn.Listen(1 << 20)
		l, err := gate.Listener(raw)
		if err != nil {
			t.Fatal(err)
		}
		served := make(chan error, 1)
		go func() { served <- s.Serve(l) }()
		conn, err := grpc.NewClient("passthrough:here", grpc.WithTransportCredentials(insecure.NewCredentials()),
			grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn,
				error) {
				return raw.DialContext(ctx)
			}))
		if err != nil {
			t.Fatal(err)
		}
		test(t, s, conn)
		conn.Close()
		hub.Close("the test is over")
		s.Stop(time.Second)
		if err := <-served; err != nil {
			t.Errorf("serve ended with %v", err)
		}
	})
}

// begin opens a call and sends nothing of its request.
func begin(t *testing.T, ctx context.Context, conn *grpc.ClientConn, method string) grpc.ClientStream {
	t.Helper()
	s, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, method)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestRequestsThatDoNotArrive end after RequestLimit, those of streams too, and are counted; a stream whose request has
// arrived goes on.
func TestRequestsThatDoNotArrive(t *testing.T) {
	inVirtualTime(t, func(t *testing.T, s *Server, conn *grpc.ClientConn) {
		watch, err := facetdv1.NewStatusServiceClient(conn).WatchStatus(t.Context(),
			&facetdv1.WatchStatusRequest{Interval: durationpb.New(1000 * time.Millisecond)})
		if err != nil {
			t.Fatal(err)
		}
		methods := []string{facetdv1.TaskService_GetTask_FullMethodName,
			facetdv1.FrameService_FollowFrameSets_FullMethodName,
			"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo"}
		for _, method := range methods {
			start := time.Now()
			var m facetdv1.GetTaskResponse
			err := begin(t, t.Context(), conn, method).RecvMsg(&m)
			if took := time.Since(start); status.Code(err) != codes.DeadlineExceeded || took != RequestLimit {
				t.Errorf("%s ended after %v with %v", method, took, err)
			}
		}
		if n := s.cfg.Access.Refused()[string(access.SlowRequest)]; n != uint64(len(methods)) {
			t.Errorf("%d were counted", n)
		}
		for range 5 {
			if _, err := watch.Recv(); err != nil {
				t.Errorf("a stream whose request had arrived: %v", err)
			}
		}
	})
}

// TestRequestsThatAreReceived are limited in number, so that they cannot fill the memory; whoever comes then waits, and
// is refused after a while.
func TestRequestsThatAreReceived(t *testing.T) {
	inVirtualTime(t, func(t *testing.T, s *Server, conn *grpc.ClientConn) {
		ctx, cancel := context.WithCancel(t.Context())
		for range MaxReceiving {
			begin(t, ctx, conn, facetdv1.TaskService_GetTask_FullMethodName)
		}
		synctest.Wait()
		tasks := facetdv1.NewTaskServiceClient(conn)
		start := time.Now()
		_, err := tasks.GetTask(t.Context(), &facetdv1.GetTaskRequest{Name: "ring"})
		if took := time.Since(start); status.Code(err) != codes.ResourceExhausted || took != receiveWait {
			t.Errorf("one more than may be received ended after %v with %v", took, err)
		}
		if n := s.cfg.Access.Refused()[string(access.TooManyRequests)]; n != 1 {
			t.Errorf("%d were counted", n)
		}
		time.AfterFunc(receiveWait/2, cancel)
		if _, err := tasks.GetTask(t.Context(), &facetdv1.GetTaskRequest{Name: "ring"}); err != nil {
			t.Errorf("when places are free again: %v", err)
		}
	})
}
