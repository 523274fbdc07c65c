package record_test

import (
	"context"
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/daemon/events"
	"facetd.example/daemon/record"
	statuses "facetd.example/daemon/status"
)

type rig struct {
	records facetdv1.RecordServiceClient
	events  facetdv1.EventServiceClient
	manager *record.Manager
	journal *events.Journal
	dir     string
}

// serve serves both services on a loopback port; keepFree is the free space to be kept.
func serve(t *testing.T, withFolder bool, keepFree uint64) *rig {
	t.Helper()
	r := &rig{dir: filepath.Join(t.TempDir(), "recordings")}
	var err error
	if r.journal, err = events.Open(events.Config{}); err != nil {
		t.Fatal(err)
	}
	if withFolder {
		r.manager, err = record.NewManager(record.Config{
			Dir: r.dir, Array: &chipmodel.Array{Name: "a", Message: &facetdv1.Array{Name: "a"}},
			KeepFree: keepFree,
			HostTime: func(ns bus.Time) (time.Time, time.Duration) { return time.Unix(1e9, ns.NS()), 0 },
			Now:      func() bus.Time { return 5 },
			Events:   r.journal.Sink(),
			Status: func() *facetdv1.Status {
				return &facetdv1.Status{State: facetdv1.State_STATE_RUNNING, Tasks: []*facetdv1.RunningTask{
					{Task: &facetdv1.Task{Name: "walk"}}}}
			},
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	s := grpc.NewServer(grpc.UnaryInterceptor(statuses.Unary(nil)), grpc.StreamInterceptor(statuses.Stream(nil)))
	record.NewService(r.manager).Register(s)
	events.NewService(r.journal).Register(s)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go s.Serve(l)
	conn, err := grpc.NewClient(l.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = conn.Close()
		s.Stop()
		if r.manager != nil {
			_ = r.manager.Close(context.Background())
		}
		_ = r.journal.Close("end of test")
	})
	r.records, r.events = facetdv1.NewRecordServiceClient(conn), facetdv1.NewEventServiceClient(conn)
	return r
}

func within(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// A recording from its start to its place in the list, over the wire; the journal hears
// of both ends.
func TestARecordingOverTheWire(t *testing.T) {
	r := serve(t, true, 1)
	ctx := within(t)
	started, err := r.records.StartRecording(ctx, &facetdv1.StartRecordingRequest{Name: "one"})
	if err != nil || started.GetRecording().GetState() != facetdv1.RecordingState_RECORDING_STATE_RUNNING {
		t.Fatal(started, err)
	}
	r.manager.JobEnded(&facetdv1.FrameSet{Task: "t", FinishBusNs: 10})
	if got, err := r.records.GetRecording(ctx, &facetdv1.GetRecordingRequest{Name: "one"}); err != nil ||
		got.GetRecording().GetName() != "one" {
		t.Error(got, err)
	}
	stopped, err := r.records.StopRecording(ctx, &facetdv1.StopRecordingRequest{Name: "one"})
	if err != nil || stopped.GetRecording().GetFrameSets() != 1 ||
		stopped.GetRecording().GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED {
		t.Fatal(stopped, err)
	}
	for _, name := range []string{"two", "three"} {
		if _, err := r.records.StartRecording(ctx, &facetdv1.StartRecordingRequest{Name: name}); err != nil {
			t.Fatal(err)
		}
	}
	var names []string
	token := ""
	for {
		page, err := r.records.ListRecordings(ctx, &facetdv1.ListRecordingsRequest{PageSize: 2, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, rec := range page.GetRecordings() {
			names = append(names, rec.GetName())
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if fmt.Sprint(names) != "[one three two]" {
		t.Errorf("listed %v", names)
	}
	list, err := r.events.ListEvents(ctx,
		&facetdv1.ListEventsRequest{Filter: &facetdv1.EventFilter{Kinds: []facetdv1.EventKind{
			facetdv1.EventKind_EVENT_KIND_RECORDING_STARTED, facetdv1.EventKind_EVENT_KIND_RECORDING_STOPPED,
		}}})
	if err != nil || len(list.GetEvents()) != 4 || list.GetEvents()[1].GetFields()["frame_sets"].GetInteger() != 1 {
		t.Errorf("events %v %v", list, err)
	}
}

func TestEventStream(t *testing.T) {
	r := serve(t, false, 1)
	ctx := within(t)
	for i := range 3 {
		r.journal.Append(&facetdv1.Event{Text: fmt.Sprint(i), Severity: facetdv1.Severity(1 + i)})
	}
	after := uint64(1)
	s, err := r.events.StreamEvents(ctx, &facetdv1.StreamEventsRequest{AfterSequence: &after, JournalId: r.journal.ID(),
		Filter: &facetdv1.EventFilter{MinSeverity: facetdv1.Severity_SEVERITY_WARNING}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Header(); err != nil {
		t.Fatal(err)
	}
	r.journal.Append(&facetdv1.Event{Text: "low", Severity: facetdv1.Severity_SEVERITY_INFO})
	r.journal.Append(&facetdv1.Event{Text: "late", Severity: facetdv1.Severity_SEVERITY_ERROR})
	for _, want := range []string{"1", "2", "late"} {
		m, err := s.Recv()
		if err != nil || m.GetEvent().GetText() != want || m.GetDropped() != 0 ||
			m.GetJournalId() != r.journal.ID() {
			t.Fatalf("got %v %v, want %s", m, err, want)
		}
	}
	ahead, begin := uint64(99), uint64(0)
	for _, q := range []*facetdv1.StreamEventsRequest{{AfterSequence: &after, JournalId: "other"},
		{AfterSequence: &ahead, JournalId: r.journal.ID()}} {
		s, err := r.events.StreamEvents(ctx, q)
		if err == nil {
			_, err = s.Recv()
		}
		if status.Code(err) != codes.OutOfRange {
			t.Errorf("a stream after %v: %v", q, err)
		}
		_, err = r.events.ListEvents(ctx, &facetdv1.ListEventsRequest{AfterSequence: q.AfterSequence,
			JournalId: q.GetJournalId()})
		if status.Code(err) != codes.OutOfRange {
			t.Errorf("a list after %v: %v", q, err)
		}
	}
	all, err := r.events.ListEvents(ctx, &facetdv1.ListEventsRequest{AfterSequence: &begin})
	if err != nil || all.GetJournalId() != r.journal.ID() || len(all.GetEvents()) != 5 {
		t.Errorf("all: %v, %v", all, err)
	}
	_ = r.journal.Close("going down")
	if _, err := s.Recv(); status.Code(err) != codes.Unavailable || status.Convert(err).Message() != "going down" {
		t.Errorf("at the end: %v", err)
	}
}

// Every error comes over the wire with its code, and with details where there are some.
func TestErrorsOverTheWire(t *testing.T) {
	full := serve(t, true, 1)
	none := serve(t, false, 1)
	low := serve(t, true, 1<<62)
	ctx := within(t)
	start := func(r *rig, name string) error {
		_, err := r.records.StartRecording(ctx, &facetdv1.StartRecordingRequest{Name: name})
		return err
	}
	for i := range record.MaxRunning {
		if err := start(full, fmt.Sprint("r", i)); err != nil {
			t.Fatal(err)
		}
	}
	tooMany := start(full, "more")
	stop := func(r *rig, name string) error {
		_, err := r.records.StopRecording(ctx, &facetdv1.StopRecordingRequest{Name: name})
		return err
	}
	if err := stop(full, "r3"); err != nil {
		t.Fatal(err)
	}
	exists := start(full, "r0")
	_, get := full.records.GetRecording(ctx, &facetdv1.GetRecordingRequest{Name: "nix"})
	_, getNone := none.records.GetRecording(ctx, &facetdv1.GetRecordingRequest{Name: "nix"})
	_, page := full.records.ListRecordings(ctx, &facetdv1.ListRecordingsRequest{PageSize: 101})
	_, list := full.events.ListEvents(ctx, &facetdv1.ListEventsRequest{PageSize: 1001,
		Filter: &facetdv1.EventFilter{MinSeverity: 9, Kinds: []facetdv1.EventKind{0}}})
	if err := full.manager.Close(ctx); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		err    error
		code   codes.Code
		detail string
	}{
		"too many":      {tooMany, codes.ResourceExhausted, ""},
		"exists":        {exists, codes.AlreadyExists, "r0"},
		"no daemon's":   {start(none, "x"), codes.FailedPrecondition, "NO_RECORDING_FOLDER"},
		"no free space": {start(low, "x"), codes.FailedPrecondition, "NO_FREE_SPACE"},
		"error":         {start(low, "a/b"), codes.InvalidArgument, "name"},
		"not running":   {stop(full, "nix"), codes.NotFound, "nix"},
		"no folder":     {stop(none, "nix"), codes.NotFound, "nix"},
		"not there":     {get, codes.NotFound, "nix"},
		"none there":    {getNone, codes.NotFound, "nix"},
		"page":          {page, codes.InvalidArgument, "page_size"},
		"event page":    {list, codes.InvalidArgument, "page_size,filter.min_severity,filter.kinds[0]"},
		"going down":    {start(full, "y"), codes.Unavailable, ""},
	} {
		st := status.Convert(c.err)
		var details []string
		for _, d := range st.Details() {
			switch d := d.(type) {
			case *errdetails.BadRequest:
				for _, v := range d.GetFieldViolations() {
					details = append(details, v.GetField())
				}
			case *errdetails.PreconditionFailure:
				details = append(details, d.GetViolations()[0].GetType())
			case *errdetails.ResourceInfo:
				details = append(details, d.GetResourceName())
			}
		}
		if st.Code() != c.code || strings.Join(details, ",") != c.detail {
			t.Errorf("%s: %v with %v, want %v with %q", name, c.err, details, c.code, c.detail)
		}
	}
	var streams []grpc.ServerStreamingClient[facetdv1.StreamEventsResponse]
	for range events.MaxSubscribers {
		s, err := none.events.StreamEvents(ctx, &facetdv1.StreamEventsRequest{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Header(); err != nil {
			t.Fatal(err)
		}
		streams = append(streams, s)
	}
	s, err := none.events.StreamEvents(ctx, &facetdv1.StreamEventsRequest{})
	if err == nil {
		_, err = s.Recv()
	}
	if status.Code(err) != codes.ResourceExhausted {
		t.Errorf("stream %d: %v", len(streams)+1, err)
	}
}

// TestRefusedByName: a page token that is none, a duration that is none, and a task that there is not are refused, each
// by its name.
func TestRefusedByName(t *testing.T) {
	r := serve(t, true, 1)
	ctx := within(t)
	wrong := func(err error) (fields []string) {
		for _, d := range status.Convert(err).Details() {
			if b, is := d.(*errdetails.BadRequest); is {
				for _, v := range b.GetFieldViolations() {
					fields = append(fields, v.GetField()+": "+v.GetDescription())
				}
			}
		}
		return fields
	}
	_, err := r.records.ListRecordings(ctx, &facetdv1.ListRecordingsRequest{PageToken: "../x"})
	if f := wrong(err); status.Code(err) != codes.InvalidArgument || len(f) != 1 ||
		!strings.HasPrefix(f[0], "page_token: ") {
		t.Errorf("a page token: %v, %v", f, err)
	}
	_, err = r.records.StartRecording(ctx, &facetdv1.StartRecordingRequest{Options: &facetdv1.RecordingOptions{
		PartDuration: &durationpb.Duration{Seconds: 3, Nanos: -5}, MaxDuration: &durationpb.Duration{Nanos: 5}}})
	if f := wrong(err); len(f) != 2 || !strings.HasPrefix(f[0], "options.part_duration: it is not a duration") ||
		!strings.HasPrefix(f[1], "options.max_duration: 5ns is too short") {
		t.Errorf("durations: %v, %v", f, err)
	}
	_, err = r.records.StartRecording(ctx, &facetdv1.StartRecordingRequest{Options: &facetdv1.RecordingOptions{
		Tasks: []string{"walk", "nope"}}})
	if status.Code(err) != codes.NotFound || !strings.Contains(err.Error(), `"nope"`) {
		t.Errorf("a task that there is not: %v", err)
	}
	_, err = r.records.StartRecording(ctx, &facetdv1.StartRecordingRequest{Options: &facetdv1.RecordingOptions{
		Tasks: []string{"walk"}}})
	if err != nil {
		t.Error(err)
	}
}
