package record

import (
	"cmp"
	"context"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/failure"
)

// maxPage is the most recordings of one page of a list.
const maxPage = 100

// Service serves recordings over gRPC. It has no queue.
type Service struct {
	facetdv1.UnimplementedRecordServiceServer
	m *Manager // nil without a folder
}

// NewService returns the service. m may be nil: the daemon then has no folder for
// recordings, and starting one is refused.
func NewService(m *Manager) *Service { return &Service{m: m} }

// Register registers the service.
func (s *Service) Register(r grpc.ServiceRegistrar) { facetdv1.RegisterRecordServiceServer(r, s) }

// errNoFolder is why nothing can be recorded.
var errNoFolder = &failure.Precondition{
	Kind: failure.NoRecordingFolder, Subject: "daemon",
	Message: "the daemon was started without a folder for recordings; give it one",
}

func (s *Service) StartRecording(_ context.Context,
	r *facetdv1.StartRecordingRequest) (*facetdv1.StartRecordingResponse, error) {
	if s.m == nil {
		return nil, errNoFolder
	}
	rec, err := s.m.Start(r.GetName(), r.GetOptions())
	if err != nil {
		return nil, err
	}
	return &facetdv1.StartRecordingResponse{Recording: rec}, nil
}

func (s *Service) StopRecording(ctx context.Context, r *facetdv1.StopRecordingRequest) (*facetdv1.StopRecordingResponse,
	error) {
	if s.m == nil {
		return nil, errNotRunning(r.GetName())
	}
	rec, err := s.m.Stop(ctx, r.GetName())
	if err != nil {
		return nil, err
	}
	return &facetdv1.StopRecordingResponse{Recording: rec}, nil
}

func (s *Service) GetRecording(_ context.Context, r *facetdv1.GetRecordingRequest) (*facetdv1.GetRecordingResponse,
	error) {
	if s.m == nil {
		return nil, errNone(r.GetName())
	}
	rec, err := s.m.Get(r.GetName())
	if err != nil {
		return nil, err
	}
	return &facetdv1.GetRecordingResponse{Recording: rec}, nil
}

func (s *Service) DeleteRecording(_ context.Context,
	r *facetdv1.DeleteRecordingRequest) (*facetdv1.DeleteRecordingResponse, error) {
	if s.m == nil {
		return nil, errNone(r.GetName())
	}
	rec, err := s.m.Delete(r.GetName())
	if err != nil {
		return nil, err
	}
	return &facetdv1.DeleteRecordingResponse{Recording: rec}, nil
}

func (s *Service) ListRecordings(_ context.Context,
	r *facetdv1.ListRecordingsRequest) (*facetdv1.ListRecordingsResponse, error) {
	if s.m == nil {
		return &facetdv1.ListRecordingsResponse{Unavailable: errNoFolder.Error()}, nil
	}
	var wrong invalid.Errors
	size := cmp.Or(r.GetPageSize(), maxPage)
	wrong.AtMost("page_size", size, maxPage)
	if t := r.GetPageToken(); t != "" && !validName.MatchString(t) {
		wrong.Add("page_token", "it is no token of this list", "give the next_page_token of the page before, or none")
	}
	if len(wrong) > 0 {
		return nil, wrong
	}
	list, more, err := s.m.List(r.GetPageToken(), int(size))
	if err != nil {
		return nil, err
	}
	out := &facetdv1.ListRecordingsResponse{Recordings: list}
	if more {
		out.NextPageToken = list[len(list)-1].GetName()
	}
	return out, nil
}
