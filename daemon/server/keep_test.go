package server

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/daemon/record"
)

// running starts a server and returns a connection to it; stop takes it down.
func running(t *testing.T, cfg Setup) (conn *grpc.ClientConn, stop func() error) {
	t.Helper()
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return serving(t, s)
}

// serving runs a server and returns a connection to it, and what ends it.
func serving(t *testing.T, s *Server) (conn *grpc.ClientConn, stop func() error) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	conn, err := grpc.NewClient(s.Addresses().GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cancel(); conn.Close() })
	return conn, func() error { cancel(); return <-done }
}

// TestEveryServiceOfTheSchemaIsServed walks the schema, so that a new service
// cannot be forgotten.
func TestEveryServiceOfTheSchemaIsServed(t *testing.T) {
	s, err := New(quick())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	served := s.api.Services()
	n := 0
	protoregistry.GlobalFiles.RangeFilesByPackage("facetd.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			n++
			if name := string(f.Services().Get(i).FullName()); !slices.Contains(served, name) {
				t.Errorf("%s is not served", name)
			}
		}
		return true
	})
	if n < 8 {
		t.Errorf("the schema has %d services", n)
	}
}

// TestRecordsAndRemembers: a recording made over the API holds the frame sets that
// ran meanwhile, and the journal knows of it.
func TestRecordsAndRemembers(t *testing.T) {
	cfg := quick()
	cfg.Data = t.TempDir()
	conn, stop := running(t, cfg)
	rec, ev := facetdv1.NewRecordServiceClient(conn), facetdv1.NewEventServiceClient(conn)
	if _, err := rec.StartRecording(t.Context(), &facetdv1.StartRecordingRequest{Name: "one"},
		grpc.WaitForReady(true)); err != nil {
		t.Fatal(err)
	}
	// Opened after the recording, so that nothing it gives is older than that.
	frames, err := followtest.Open(t.Context(), conn, &facetdv1.FollowStart{})
	if err != nil {
		t.Fatal(err)
	}
	for range 20 {
		if _, err := frames.Recv(); err != nil {
			t.Fatal(err)
		}
	}
	got, err := rec.StopRecording(t.Context(), &facetdv1.StopRecordingRequest{Name: "one"})
	if err != nil || got.GetRecording().GetFrameSets() == 0 ||
		got.GetRecording().GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED {
		t.Fatalf("%v, %v", got, err)
	}
	list, err := ev.ListEvents(t.Context(), &facetdv1.ListEventsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	var kinds []facetdv1.EventKind
	for _, e := range list.GetEvents() {
		kinds = append(kinds, e.GetKind())
	}
	for _, want := range []facetdv1.EventKind{
		facetdv1.EventKind_EVENT_KIND_DAEMON_STARTED, facetdv1.EventKind_EVENT_KIND_RECORDING_STARTED,
		facetdv1.EventKind_EVENT_KIND_RECORDING_STOPPED,
	} {
		if !slices.Contains(kinds, want) {
			t.Errorf("the journal has %v, not %v", kinds, want)
		}
	}
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(cfg.Data, "recordings", got.GetRecording().GetParts()[0].GetFile())
	r, err := record.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	journal, err := filepath.Glob(filepath.Join(cfg.Data, "events", "*"))
	if err != nil || len(journal) == 0 {
		t.Errorf("the journal has no file: %v", err)
	}
	if text, err := os.ReadFile(journal[len(journal)-1]); err != nil ||
		!strings.Contains(string(text), "DAEMON_STOPPED") {
		t.Errorf("the journal does not end with the daemon's end: %v", err)
	}
}

// TestNoFolderNoRecordings: without a folder recordings are refused, and events are
// kept in memory.
func TestNoFolderNoRecordings(t *testing.T) {
	conn, stop := running(t, quick())
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	_, err := facetdv1.NewRecordServiceClient(conn).StartRecording(ctx, &facetdv1.StartRecordingRequest{},
		grpc.WaitForReady(true))
	if status.Code(err) != codes.FailedPrecondition {
		t.Errorf("%v, want FAILED_PRECONDITION", err)
	}
	list, err := facetdv1.NewEventServiceClient(conn).ListEvents(ctx, &facetdv1.ListEventsRequest{})
	if err != nil || len(list.GetEvents()) == 0 {
		t.Errorf("%v, %v", list, err)
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
}
