package api

import (
	"strings"
	"testing"

	"go.uber.org/zap/zapcore"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestPanicEndsOneCall: a handler that panics fails its call, is in the log with its
// stack, and the next call is served.
func TestPanicEndsOneCall(t *testing.T) {
	r := start(t)
	tasks := facetdv1.NewTaskServiceClient(r.conn)
	r.fake.panics = "index out of range"
	_, err := tasks.DeleteTask(t.Context(), &facetdv1.DeleteTaskRequest{Name: "ring"})
	if status.Code(err) != codes.Internal || strings.Contains(err.Error(), "index") {
		t.Errorf("got %v, want Internal without the details", err)
	}
	logged := r.logs.FilterMessage("panic").FilterLevelExact(zapcore.ErrorLevel).All()
	if len(logged) != 1 || !strings.Contains(logged[0].ContextMap()["stack"].(string), "fake_test.go") {
		t.Errorf("the log has %v", logged)
	}
	r.fake.mu.Lock()
	r.fake.panics = nil
	r.fake.mu.Unlock()
	if _, err := tasks.DeleteTask(t.Context(), &facetdv1.DeleteTaskRequest{Name: "ring"}); err != nil {
		t.Errorf("the call after it: %v", err)
	}
}
