package sampler

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/history"
)

const (
	minSpan, defaultSpan   = time.Second, time.Hour
	maxSteps, defaultSteps = 3600, 360
	// maxPoints keeps an answer below the 4 MB that clients take: each is 12 bytes.
	maxPoints = 250_000
	maxTasks  = 256
)

// Register registers the service.
func (s *Service) Register(r grpc.ServiceRegistrar) { facetdv1.RegisterHistoryServiceServer(r, s) }

// GetHistory implements the service.
func (s *Service) GetHistory(_ context.Context, r *facetdv1.GetHistoryRequest) (*facetdv1.GetHistoryResponse, error) {
	span, steps := defaultSpan, int(min(r.GetSteps(), maxSteps+1)) // an int of 32 bits does not hold every number
	var m invalid.Errors
	if d := r.GetSpan(); d != nil {
		if span = d.AsDuration(); d.CheckValid() != nil || span < minSpan || span > history.MaxSpan {
			m.Add("span", fmt.Sprintf("%v is not kept", span), "give 1s to 24h")
		}
	}
	if steps == 0 {
		steps = defaultSteps
	}
	if steps > maxSteps {
		m.Add("steps", fmt.Sprintf("%d are too many", r.GetSteps()), fmt.Sprintf("give 1 to %d", maxSteps))
	}
	if len(r.GetTasks()) > maxTasks {
		m.Add("tasks", fmt.Sprintf("%d are too many", len(r.GetTasks())), fmt.Sprintf("give up to %d", maxTasks))
	}
	if len(m) > 0 {
		return nil, m
	}
	wanted := func(task string) bool { return len(r.GetTasks()) == 0 || slices.Contains(r.GetTasks(), task) }
	s.keeping.Lock()
	passed := time.Since(s.begun)
	keys, notKept := s.store.Keys(wanted), s.store.NotKept()
	s.keeping.Unlock()
	g := history.GridOf(history.Second(passed/time.Second), int64((span+time.Second-1)/time.Second), steps)
	series, err := s.tell(g, keys)
	if err != nil {
		return nil, err
	}
	// A sample is of the second before it.
	begins := time.Duration(g.First()-1)*time.Second - passed
	return &facetdv1.GetHistoryResponse{BeginTime: timestamppb.New(time.Now().Add(begins)), Steps: uint32(g.Steps),
		Step: durationpb.New(time.Duration(g.Seconds) * time.Second), Series: series, NotKept: notKept}, nil
}

// tell makes the series of an answer, one after another: while one is read the next sample waits, and no longer.
func (s *Service) tell(g history.Grid, keys []history.Key) ([]*facetdv1.HistorySeries, error) {
	var series []*facetdv1.HistorySeries
	for _, key := range keys {
		s.keeping.Lock()
		points := s.store.Points(g, key)
		s.keeping.Unlock()
		if one := history.Told(key, points); one != nil {
			series = append(series, one)
		}
		if n := len(series) * g.Steps; n > maxPoints {
			return nil, invalid.Errors{{Path: "steps", Message: fmt.Sprintf("%d steps of %d histories or more are too "+
				"many for one answer", g.Steps, len(series)), Hint: "ask for fewer steps, or for some of the tasks"}}
		}
	}
	return series, nil
}
