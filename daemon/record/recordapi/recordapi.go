// Package recordapi serves recordings and events over gRPC. Register it beside the
// daemon's other services.
//
// What waits, and what happens when it is full: an event stream's queue drops its
// oldest event and counts it in the stream; the other calls have no queue.
package recordapi

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/protoadapt"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/events"
	"facetd.example/daemon/record"
)

const (
	maxPage      = 100
	maxEventPage = events.MaxList

	// A status travels in the trailers, which many clients bound at 8 KiB.
	maxMessageBytes = 1500
)

// Kinds of failed preconditions, in PreconditionFailure.violations.type.
const (
	preconditionNoFolder = "NO_RECORDING_FOLDER"
	preconditionNoRoom   = "NO_ROOM"
)

// Register adds RecordService and EventService to a server. recordings may be nil: the
// daemon then has no folder for them, and starting one is refused.
func Register(s grpc.ServiceRegistrar, recordings *record.Manager, journal *events.Journal) {
	facetdv1.RegisterRecordServiceServer(s, &recordService{m: recordings})
	facetdv1.RegisterEventServiceServer(s, &eventService{j: journal})
}

type recordService struct {
	facetdv1.UnimplementedRecordServiceServer
	m *record.Manager // nil without a folder
}

// errNoFolder is why nothing can be recorded.
var errNoFolder = errors.New("the daemon was started without a folder for recordings; give it one")

func (v *recordService) StartRecording(_ context.Context, r *facetdv1.StartRecordingRequest) (*facetdv1.StartRecordingResponse, error) {
	if v.m == nil {
		return nil, statusOf(errNoFolder)
	}
	rec, err := v.m.Start(r.GetName(), r.GetOptions())
	if err != nil {
		return nil, statusOf(err)
	}
	return &facetdv1.StartRecordingResponse{Recording: rec}, nil
}

func (v *recordService) StopRecording(ctx context.Context, r *facetdv1.StopRecordingRequest) (*facetdv1.StopRecordingResponse, error) {
	if v.m == nil {
		return nil, statusOf(&record.NotFoundError{Name: r.GetName(), Running: true})
	}
	rec, err := v.m.Stop(ctx, r.GetName())
	if err != nil {
		return nil, statusOf(err)
	}
	return &facetdv1.StopRecordingResponse{Recording: rec}, nil
}

func (v *recordService) GetRecording(_ context.Context, r *facetdv1.GetRecordingRequest) (*facetdv1.GetRecordingResponse, error) {
	if v.m == nil {
		return nil, statusOf(&record.NotFoundError{Name: r.GetName()})
	}
	rec, err := v.m.Get(r.GetName())
	if err != nil {
		return nil, statusOf(err)
	}
	return &facetdv1.GetRecordingResponse{Recording: rec}, nil
}

func (v *recordService) ListRecordings(_ context.Context, r *facetdv1.ListRecordingsRequest) (*facetdv1.ListRecordingsResponse, error) {
	if v.m == nil {
		return &facetdv1.ListRecordingsResponse{}, nil
	}
	size, wrong := pageSize(r.GetPageSize(), maxPage, maxPage)
	if len(wrong) > 0 {
		return nil, statusOf(wrong)
	}
	list, more, err := v.m.List(r.GetPageToken(), size)
	if err != nil {
		return nil, statusOf(err)
	}
	out := &facetdv1.ListRecordingsResponse{Recordings: list}
	if more {
		out.NextPageToken = list[len(list)-1].GetName()
	}
	return out, nil
}

type eventService struct {
	facetdv1.UnimplementedEventServiceServer
	j *events.Journal
}

func (v *eventService) ListEvents(_ context.Context, r *facetdv1.ListEventsRequest) (*facetdv1.ListEventsResponse, error) {
	size, wrong := pageSize(r.GetPageSize(), 100, maxEventPage)
	filter, more := filterOf(r.GetFilter())
	if wrong = append(wrong, more...); len(wrong) > 0 {
		return nil, statusOf(wrong)
	}
	listed, err := v.j.List(events.Query{After: r.AfterSequence, Limit: size, Filter: filter})
	if err != nil {
		return nil, statusOf(err)
	}
	return &facetdv1.ListEventsResponse{Events: listed.Events, LastSequence: listed.Last, FirstSequence: listed.First}, nil
}

// StreamEvents sends its header as soon as the stream is subscribed: what happens after
// the client has seen it will be sent, or counted as dropped.
func (v *eventService) StreamEvents(r *facetdv1.StreamEventsRequest, out grpc.ServerStreamingServer[facetdv1.StreamEventsResponse]) error {
	filter, wrong := filterOf(r.GetFilter())
	if len(wrong) > 0 {
		return statusOf(wrong)
	}
	sub, err := v.j.Subscribe(r.AfterSequence, filter)
	if err != nil {
		return statusOf(err)
	}
	defer sub.Close()
	if err := out.SendHeader(nil); err != nil {
		return err
	}
	for {
		e, dropped, err := sub.Next(out.Context())
		if err != nil {
			return statusOf(err)
		}
		if err := out.Send(&facetdv1.StreamEventsResponse{Event: e, Dropped: dropped}); err != nil {
			return err
		}
	}
}

func pageSize(asked uint32, unset, most int) (int, invalid.Errors) {
	switch {
	case asked == 0:
		return unset, nil
	case asked > uint32(most):
		return 0, invalid.Errors{{Path: "page_size", Message: fmt.Sprintf("%d is too many", asked), Hint: fmt.Sprintf("use 1 to %d", most)}}
	}
	return int(asked), nil
}

// filterOf checks a filter.
func filterOf(f *facetdv1.EventFilter) (events.Filter, invalid.Errors) {
	var wrong invalid.Errors
	if _, is := facetdv1.Severity_name[int32(f.GetMinSeverity())]; !is {
		wrong.Add("filter.min_severity", fmt.Sprintf("there is no severity %d", f.GetMinSeverity()), "use SEVERITY_INFO, SEVERITY_WARNING or SEVERITY_ERROR")
	}
	for i, k := range f.GetKinds() {
		if _, is := facetdv1.EventKind_name[int32(k)]; !is || k == facetdv1.EventKind_EVENT_KIND_UNSPECIFIED {
			wrong.Add(fmt.Sprintf("filter.kinds[%d]", i), fmt.Sprintf("there is no kind of event %d", k), "use one of EventKind")
		}
	}
	return events.Filter{MinSeverity: f.GetMinSeverity(), Kinds: f.GetKinds(), Task: f.GetTask()}, wrong
}

// statusOf is where errors of recordings and events become gRPC statuses:
//
//	invalid.Errors                  INVALID_ARGUMENT, BadRequest
//	*record.ExistsError                 ALREADY_EXISTS, ResourceInfo
//	*record.NotFoundError               NOT_FOUND, ResourceInfo
//	*record.TooManyError                RESOURCE_EXHAUSTED
//	events.ErrFull                      RESOURCE_EXHAUSTED
//	*record.NoRoomError, no folder      FAILED_PRECONDITION, PreconditionFailure
//	*record.StoppedError                UNAVAILABLE
//	*events.ClosedError                 UNAVAILABLE
//	context.DeadlineExceeded, Canceled  DEADLINE_EXCEEDED, CANCELLED
//	anything else                       INTERNAL
func statusOf(err error) error {
	code, detail := classify(err)
	message := err.Error()
	if len(message) > maxMessageBytes {
		message = message[:maxMessageBytes-4] + " ..."
	}
	st := status.New(code, message)
	if detail == nil {
		return st.Err()
	}
	detailed, attachErr := st.WithDetails(protoadapt.MessageV1Of(detail))
	if attachErr != nil {
		return st.Err()
	}
	return detailed.Err()
}

func classify(err error) (codes.Code, proto.Message) {
	var (
		errs     invalid.Errors
		exists   *record.ExistsError
		notFound *record.NotFoundError
		tooMany  *record.TooManyError
		noRoom   *record.NoRoomError
		stopped  *record.StoppedError
		closed   *events.ClosedError
	)
	switch {
	case errors.As(err, &errs):
		b := &errdetails.BadRequest{}
		for _, m := range errs[:min(len(errs), 20)] {
			b.FieldViolations = append(b.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: m.Path, Description: m.Message + " (" + m.Hint + ")"})
		}
		return codes.InvalidArgument, b
	case errors.As(err, &exists):
		return codes.AlreadyExists, &errdetails.ResourceInfo{ResourceType: "recording", ResourceName: exists.Name, Description: err.Error()}
	case errors.As(err, &notFound):
		return codes.NotFound, &errdetails.ResourceInfo{ResourceType: "recording", ResourceName: notFound.Name, Description: err.Error()}
	case errors.As(err, &tooMany), errors.Is(err, events.ErrFull):
		return codes.ResourceExhausted, nil
	case errors.As(err, &noRoom):
		return codes.FailedPrecondition, precondition(preconditionNoRoom, "disk", err)
	case errors.Is(err, errNoFolder):
		return codes.FailedPrecondition, precondition(preconditionNoFolder, "daemon", err)
	case errors.As(err, &stopped), errors.As(err, &closed):
		return codes.Unavailable, nil
	case errors.Is(err, context.DeadlineExceeded):
		return codes.DeadlineExceeded, nil
	case errors.Is(err, context.Canceled):
		return codes.Canceled, nil
	}
	return codes.Internal, nil
}

func precondition(kind, subject string, err error) *errdetails.PreconditionFailure {
	return &errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{{Type: kind, Subject: subject, Description: err.Error()}}}
}
