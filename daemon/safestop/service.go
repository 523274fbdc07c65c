package safestop

import (
	"context"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/access"
)

// Service serves a keeper, or refuses.
type Service struct {
	facetdv1.UnimplementedSafeStopServiceServer
	keeper  *Keeper
	refused error
}

// NewService returns the service of a keeper. Without one every call ends with refused.
func NewService(k *Keeper, refused error) *Service { return &Service{keeper: k, refused: refused} }

// Register registers the service.
func (s *Service) Register(r grpc.ServiceRegistrar) { facetdv1.RegisterSafeStopServiceServer(r, s) }

// StopArray stops the array.
func (s *Service) StopArray(ctx context.Context, r *facetdv1.StopArrayRequest) (*facetdv1.StopArrayResponse, error) {
	if s.keeper == nil {
		return nil, s.refused
	}
	stop, err := s.keeper.Stop(ctx, caller(ctx), r.GetReason())
	if err != nil {
		return nil, err
	}
	return &facetdv1.StopArrayResponse{SafeStop: stop}, nil
}

// ResumeArray resumes the array.
func (s *Service) ResumeArray(ctx context.Context,
	r *facetdv1.ResumeArrayRequest) (*facetdv1.ResumeArrayResponse, error) {
	if s.keeper == nil {
		return nil, s.refused
	}
	at, stop, err := s.keeper.Resume(ctx, caller(ctx), r.GetRevision())
	if err != nil {
		return nil, err
	}
	return &facetdv1.ResumeArrayResponse{EffectiveBusNs: at.NS(), SafeStop: stop}, nil
}

// caller is who asks.
func caller(ctx context.Context) string {
	if c, known := access.CallerOf(ctx); known && c.Name != "" {
		return c.Name
	}
	return "somebody"
}
