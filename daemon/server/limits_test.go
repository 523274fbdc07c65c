package server

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/access"
	"facetd.example/daemon/api"
	"facetd.example/daemon/config"
)

// TestLimits looks at bounds from outside.
func TestLimits(t *testing.T) {
	t.Parallel()
	setup := quick()
	setup.Tasks = config.None // the bus is not what is limited
	s, err := New(setup)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-done })
	conn, err := grpc.NewClient(s.Addresses().GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })

	long := &facetdv1.GetTaskRequest{Name: strings.Repeat("x", api.MaxReceiveBytes)}
	if _, err := facetdv1.NewTaskServiceClient(conn).GetTask(ctx, long); status.Code(err) != codes.ResourceExhausted {
		t.Errorf("a request of more than %d bytes: %v", api.MaxReceiveBytes, err)
	}

	// As many streams as may be, and one more, which waits for a place.
	watch := func(ctx context.Context) error {
		w, err := facetdv1.NewStatusServiceClient(conn).WatchStatus(ctx,
			&facetdv1.WatchStatusRequest{Interval: durationpb.New(60_000 * time.Millisecond)})
		if err == nil {
			_, err = w.Recv()
		}
		return err
	}
	held, release := context.WithCancel(ctx)
	for i := range api.MaxConcurrentStreams {
		if err := watch(held); err != nil {
			t.Fatalf("stream %d: %v", i, err)
		}
	}
	short, end := context.WithTimeout(ctx, 200*time.Millisecond)
	if err := watch(short); status.Code(err) != codes.DeadlineExceeded {
		t.Errorf("one stream more than %d: %v", api.MaxConcurrentStreams, err)
	}
	end()
	release()
	if err := watch(ctx); err != nil {
		t.Errorf("after places were freed: %v", err)
	}

	r, err := http.NewRequestWithContext(ctx, "GET", "http://"+s.Addresses().HTTP+"/healthz", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("X-Long", strings.Repeat("x", 2*HTTPHeaderBytes))
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	a.Body.Close()
	if a.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("headers of %d bytes: %d", 2*HTTPHeaderBytes, a.StatusCode)
	}
	testConnections(t, s)
}

// testConnections opens as many connections with a request as may be, and one more, for which the one goes that has
// been idle longest.
func testConnections(t *testing.T, s *Server) {
	http.DefaultClient.CloseIdleConnections()
	ask := func(c net.Conn) error {
		c.SetDeadline(time.Now().Add(patience))
		if _, err := fmt.Fprintf(c, "GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n"); err != nil {
			return err
		}
		a, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil {
			return err
		}
		return a.Body.Close()
	}
	var all []net.Conn
	for i := range access.MaxConnections + 1 {
		c, err := net.Dial("tcp", s.Addresses().HTTP)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		if err := ask(c); err != nil {
			t.Fatalf("connection %d: %v", i, err)
		}
		all = append(all, c)
	}
	if err := ask(all[0]); err == nil {
		t.Error("the oldest connection is still open")
	}
	if err := ask(all[len(all)-1]); err != nil {
		t.Errorf("the newest connection: %v", err)
	}
	// The one of before may not be gone yet.
	if n := s.access.Refused()[string(access.Displaced)]; n < 1 || n > 2 {
		t.Errorf("%d made way", n)
	}
}
