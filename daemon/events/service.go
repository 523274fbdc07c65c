package events

import (
	"cmp"
	"context"
	"fmt"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
)

// Service serves the journal over gRPC. A stream's queue drops its oldest event when it is
// full, and counts it in the stream.
type Service struct {
	facetdv1.UnimplementedEventServiceServer
	j *Journal
}

// NewService returns the service.
func NewService(j *Journal) *Service { return &Service{j: j} }

// Register registers the service.
func (s *Service) Register(r grpc.ServiceRegistrar) { facetdv1.RegisterEventServiceServer(r, s) }

func (s *Service) ListEvents(_ context.Context, r *facetdv1.ListEventsRequest) (*facetdv1.ListEventsResponse, error) {
	var wrong invalid.Errors
	size := cmp.Or(r.GetPageSize(), 100)
	wrong.AtMost("page_size", size, MaxList)
	filter, more := filterOf(r.GetFilter())
	if wrong = append(wrong, more...); len(wrong) > 0 {
		return nil, wrong
	}
	if err := s.j.checkPosition(r.GetJournalId(), r.AfterSequence); err != nil {
		return nil, err
	}
	listed, err := s.j.List(Query{After: r.AfterSequence, Limit: int(size), Filter: filter})
	if err != nil {
		return nil, err
	}
	return &facetdv1.ListEventsResponse{Events: listed.Events, LastSequence: listed.Last, FirstSequence: listed.First,
		JournalId: s.j.ID()}, nil
}

// StreamEvents sends its header as soon as the stream is subscribed: what happens after
// the client has seen it will be sent, or counted as dropped.
func (s *Service) StreamEvents(r *facetdv1.StreamEventsRequest,
	out grpc.ServerStreamingServer[facetdv1.StreamEventsResponse]) error {
	filter, wrong := filterOf(r.GetFilter())
	if len(wrong) > 0 {
		return wrong
	}
	if err := s.j.checkPosition(r.GetJournalId(), r.AfterSequence); err != nil {
		return err
	}
	sub, err := s.j.Subscribe(r.AfterSequence, filter)
	if err != nil {
		return err
	}
	defer sub.Close()
	if err := out.SendHeader(nil); err != nil {
		return err
	}
	for missed := sub.Missed(); ; missed = 0 {
		e, dropped, err := sub.Next(out.Context())
		if err != nil {
			return err
		}
		if err := out.Send(&facetdv1.StreamEventsResponse{Event: e, Dropped: dropped, Missed: missed,
			JournalId: s.j.ID()}); err != nil {
			return err
		}
	}
}

// filterOf checks a filter.
func filterOf(f *facetdv1.EventFilter) (Filter, invalid.Errors) {
	var wrong invalid.Errors
	if _, is := facetdv1.Severity_name[int32(f.GetMinSeverity())]; !is {
		wrong.Add("filter.min_severity", fmt.Sprintf("there is no severity %d", f.GetMinSeverity()),
			"use SEVERITY_INFO, SEVERITY_WARNING or SEVERITY_ERROR")
	}
	for i, k := range f.GetKinds() {
		if _, is := facetdv1.EventKind_name[int32(k)]; !is || k == facetdv1.EventKind_EVENT_KIND_UNSPECIFIED {
			wrong.Add(fmt.Sprintf("filter.kinds[%d]", i), fmt.Sprintf("there is no kind of event %d", k),
				"use one of EventKind")
		}
	}
	return Filter{MinSeverity: f.GetMinSeverity(), Kinds: f.GetKinds(), Task: f.GetTask()}, wrong
}
