package main

import (
	"context"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
)

func (f *fake) GetLockstep(_ context.Context, r *facetdv1.GetLockstepRequest) (*facetdv1.GetLockstepResponse, error) {
	f.note(r)
	return &facetdv1.GetLockstepResponse{Lockstep: &facetdv1.Lockstep{BusNs: 1_200_000_000, LimitBusNs: 1_200_000_000,
		Missing: []string{"arm"}, WaitingCalls: 2, Participants: []*facetdv1.LockstepParticipant{
			{Name: "eye", UntilBusNs: 1_250_000_000},
			{Name: "planner", UntilBusNs: 1_200_000_000, Holds: true, Stalled: true, HeldNs: 7_012_345_678},
		}}}, nil
}

func (f *fake) LeaveLockstep(_ context.Context, r *facetdv1.LeaveLockstepRequest) (*facetdv1.LeaveLockstepResponse,
	error) {
	f.note(r)
	if r.GetParticipant() != "planner" {
		return nil, status.Errorf(codes.NotFound, "there is no participant called %q", r.GetParticipant())
	}
	return &facetdv1.LeaveLockstepResponse{}, nil
}
