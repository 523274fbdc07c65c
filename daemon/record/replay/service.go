package replay

import (
	"context"
	"fmt"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/failure"
)

// Service serves the control of a replay over gRPC. There is no queue here: steps that
// several clients ask for at once add up, and all of them wait until the last has been
// handed out.
type Service struct {
	facetdv1.UnimplementedReplayServiceServer
	p *Player
}

// NewService returns the service. p is nil where no recording is played; every call is
// then refused.
func NewService(p *Player) *Service { return &Service{p: p} }

// Register registers the service.
func (s *Service) Register(r grpc.ServiceRegistrar) { facetdv1.RegisterReplayServiceServer(r, s) }

var errNoReplay = &failure.Precondition{
	Kind: failure.NoReplay, Subject: "bus",
	Message: "this daemon plays no recording; start one with --bus replay:FILE",
}

func (s *Service) GetReplay(context.Context, *facetdv1.GetReplayRequest) (*facetdv1.GetReplayResponse, error) {
	if s.p == nil {
		return nil, errNoReplay
	}
	return &facetdv1.GetReplayResponse{Replay: s.p.Replay()}, nil
}

func (s *Service) PauseReplay(context.Context, *facetdv1.PauseReplayRequest) (*facetdv1.PauseReplayResponse, error) {
	if s.p == nil {
		return nil, errNoReplay
	}
	s.p.Pause()
	return &facetdv1.PauseReplayResponse{Replay: s.p.Replay()}, nil
}

func (s *Service) ResumeReplay(_ context.Context, r *facetdv1.ResumeReplayRequest) (*facetdv1.ResumeReplayResponse,
	error) {
	if s.p == nil {
		return nil, errNoReplay
	}
	if r.Speed == nil {
		s.p.Resume()
	} else if err := s.p.SetSpeed(r.GetSpeed()); err != nil {
		return nil, badField("speed", err)
	}
	return &facetdv1.ResumeReplayResponse{Replay: s.p.Replay()}, nil
}

func (s *Service) StepReplay(ctx context.Context, r *facetdv1.StepReplayRequest) (*facetdv1.StepReplayResponse, error) {
	if s.p == nil {
		return nil, errNoReplay
	}
	n := max(r.GetFrameSets(), 1)
	if n > MaxSteps {
		return nil, badField("frame_sets", fmt.Errorf("%d frame sets are too many; use 1 to %d", n, MaxSteps))
	}
	switch err := s.p.Step(ctx, int(n)); {
	case err != nil && ctx.Err() != nil:
		return nil, ctx.Err()
	case err != nil:
		return nil, badField("frame_sets", err)
	}
	return &facetdv1.StepReplayResponse{Replay: s.p.Replay()}, nil
}

func (s *Service) SeekReplay(_ context.Context, r *facetdv1.SeekReplayRequest) (*facetdv1.SeekReplayResponse, error) {
	if s.p == nil {
		return nil, errNoReplay
	}
	s.p.SeekTo(r.GetBusNs())
	return &facetdv1.SeekReplayResponse{Replay: s.p.Replay()}, nil
}

func badField(field string, err error) error {
	return invalid.Errors{{Path: field, Message: err.Error()}}
}
