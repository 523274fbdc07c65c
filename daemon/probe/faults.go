package probe

import (
	"context"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/failure"
)

var errNotVirtual = &failure.Precondition{
	Kind: failure.NotVirtual, Subject: "bus", Message: "faults can be put into a virtual bus only",
}

func (s *Service) SetFaults(ctx context.Context, r *facetdv1.SetFaultsRequest) (*facetdv1.SetFaultsResponse, error) {
	at, err := s.set(ctx, r.GetFaults())
	if err != nil {
		return nil, err
	}
	return &facetdv1.SetFaultsResponse{EffectiveBusNs: at}, nil
}

func (s *Service) ClearFaults(ctx context.Context, _ *facetdv1.ClearFaultsRequest) (*facetdv1.ClearFaultsResponse,
	error) {
	at, err := s.set(ctx, nil)
	if err != nil {
		return nil, err
	}
	return &facetdv1.ClearFaultsResponse{EffectiveBusNs: at}, nil
}

// possible says why faults cannot be set; nil on a virtual bus.
func (s *Service) possible() error {
	switch {
	case s.cfg.Refused != nil:
		return s.cfg.Refused
	case s.cfg.Faulty == nil:
		return errNotVirtual
	}
	return nil
}

// set replaces the faults and returns the bus time.
func (s *Service) set(ctx context.Context, faults []*facetdv1.Fault) (int64, error) {
	if err := s.possible(); err != nil {
		return 0, err
	}
	if err := s.cfg.Runner.Do(ctx, func() error { return s.cfg.Faulty.SetFaults(faults) }); err != nil {
		return 0, err
	}
	at := s.cfg.Now().NS()
	s.noteFaults(faults, at)
	return at, nil
}

func (s *Service) ListFaults(ctx context.Context, _ *facetdv1.ListFaultsRequest) (*facetdv1.ListFaultsResponse, error) {
	if err := s.possible(); err != nil {
		return nil, err
	}
	var out facetdv1.ListFaultsResponse
	err := s.cfg.Runner.Do(ctx, func() error {
		out.Faults, out.Contentions = s.cfg.Faulty.Faults(), s.cfg.Faulty.Contended()
		return nil
	})
	if err != nil {
		return nil, err
	}
	return &out, nil
}
