package watch

import (
	"context"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/failure"
)

const (
	minInterval, maxInterval = 50 * time.Millisecond, time.Hour
	maxShelved               = 24 * time.Hour
	maxByBytes, maxNoteBytes = 100, 500
)

const findingHint = "'facetctl health' lists those that hold"

type server struct {
	facetdv1.UnimplementedHealthServiceServer
	s *Service
}

// Register registers the service.
func (s *Service) Register(r grpc.ServiceRegistrar) {
	facetdv1.RegisterHealthServiceServer(r, &server{s: s})
}

// GetHealth implements the service.
func (v *server) GetHealth(ctx context.Context, _ *facetdv1.GetHealthRequest) (*facetdv1.GetHealthResponse, error) {
	return &facetdv1.GetHealthResponse{Health: v.s.Health(ctx)}, ctx.Err()
}

// WatchHealth has no queue: each message is made when it is sent, and a slow reader gets fewer.
func (v *server) WatchHealth(r *facetdv1.WatchHealthRequest,
	out grpc.ServerStreamingServer[facetdv1.WatchHealthResponse]) error {
	interval := time.Second
	if r.GetInterval() != nil {
		interval = r.GetInterval().AsDuration()
	}
	if interval < minInterval || interval > maxInterval || r.GetInterval().CheckValid() != nil &&
		r.GetInterval() != nil {
		return invalid.Errors{{Path: "interval", Message: fmt.Sprintf("%v is not possible", interval),
			Hint: "give 50ms to 1h"}}
	}
	tick := time.NewTicker(interval)
	defer tick.Stop()
	for {
		if err := out.Send(&facetdv1.WatchHealthResponse{Health: v.s.Health(out.Context())}); err != nil {
			return err
		}
		select {
		case <-tick.C:
		case <-out.Context().Done():
			return out.Context().Err()
		case <-v.s.down:
			return &failure.Unavailable{Reason: "the daemon is going down"}
		}
	}
}

// words checks what a caller says.
func words(m *invalid.Errors, path, text string, most int) {
	if len(text) > most || !utf8.ValidString(text) ||
		strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsGraphic(r) }) {
		m.Add(path, "it is too long, or cannot be printed", fmt.Sprintf("give up to %d bytes", most))
	}
}

// by is who, for the journal.
func by(name string) string {
	if name == "" {
		return ""
	}
	return " by " + name
}

func because(note string) string {
	if note == "" {
		return ""
	}
	return ": " + note
}

// AcknowledgeFinding implements the service.
func (v *server) AcknowledgeFinding(ctx context.Context, r *facetdv1.AcknowledgeFindingRequest) (
	*facetdv1.AcknowledgeFindingResponse, error) {
	var m invalid.Errors
	words(&m, "by", r.GetBy(), maxByBytes)
	words(&m, "note", r.GetNote(), maxNoteBytes)
	if len(m) > 0 {
		return nil, m
	}
	return v.s.acknowledge(r, v.s.Health(ctx).GetBusNs())
}

func (s *Service) acknowledge(r *facetdv1.AcknowledgeFindingRequest, now int64) (*facetdv1.AcknowledgeFindingResponse,
	error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f := s.notes.holding[r.GetId()]
	if f == nil {
		return nil, &failure.NotFound{What: "finding", Name: r.GetId(), Hint: findingHint}
	}
	ack := &facetdv1.HealthAcknowledgement{Time: timestamppb.New(s.cfg.Clock()), By: r.GetBy(), Note: r.GetNote()}
	s.notes.acknowledged[r.GetId()] = ack
	f = proto.CloneOf(f) // what holds was handed out with reports
	f.Acknowledgement = ack
	s.tell(facetdv1.Severity_SEVERITY_INFO, now, r.GetId(), f, 1,
		"acknowledged"+by(r.GetBy())+because(r.GetNote())+": "+r.GetId())
	return &facetdv1.AcknowledgeFindingResponse{Finding: f}, nil
}

// ShelveFinding implements the service.
func (v *server) ShelveFinding(ctx context.Context, r *facetdv1.ShelveFindingRequest) (
	*facetdv1.ShelveFindingResponse, error) {
	var m invalid.Errors
	words(&m, "by", r.GetBy(), maxByBytes)
	words(&m, "note", r.GetNote(), maxNoteBytes)
	d := r.GetDuration().AsDuration()
	if r.GetDuration() != nil && r.GetDuration().CheckValid() != nil || d < 0 || d > maxShelved {
		m.Add("duration", fmt.Sprintf("%v is not possible", d), "give up to 24h, or 0 to end the shelving")
	}
	if d > 0 && strings.TrimSpace(r.GetNote()) == "" {
		m.Add("note", "it is empty", "say why the finding is expected")
	}
	if len(m) > 0 {
		return nil, m
	}
	h := v.s.Health(ctx)
	v.s.mu.Lock()
	defer v.s.mu.Unlock()
	n, id := &v.s.notes, r.GetId()
	if n.holding[id] == nil && n.shelved[id] == nil {
		return nil, &failure.NotFound{What: "finding", Name: id, Hint: findingHint}
	}
	if d == 0 {
		if n.shelved[id] != nil {
			v.s.tell(facetdv1.Severity_SEVERITY_INFO, h.GetBusNs(), id, n.holding[id], 1, "shelving of "+id+" ended"+
				by(r.GetBy())+because(r.GetNote()))
		}
		delete(n.shelved, id)
		return &facetdv1.ShelveFindingResponse{}, nil
	}
	now := v.s.cfg.Clock()
	until := timestamppb.New(now.Add(d))
	n.shelved[id] = &facetdv1.HealthShelving{Time: timestamppb.New(now), UntilTime: until, By: r.GetBy(),
		Note: r.GetNote()}
	v.s.tell(facetdv1.Severity_SEVERITY_INFO, h.GetBusNs(), id, n.holding[id], 1,
		fmt.Sprintf("shelved for %v%s%s: %s", d,
			by(r.GetBy()), because(r.GetNote()), id))
	return &facetdv1.ShelveFindingResponse{UntilTime: until}, nil
}
