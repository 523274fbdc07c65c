package main

import (
	"context"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
)

var fakeFinding = &facetdv1.HealthFinding{
	Id: "chip/m0/undriven", Kind: facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_UNDRIVEN,
	State: facetdv1.HealthState_HEALTH_STATE_BAD, Subject: facetdv1.HealthSubject_HEALTH_SUBJECT_CHIP, Name: "m0",
	Chips: []string{"m0"}, Basis: facetdv1.HealthBasis_HEALTH_BASIS_INFERRED,
	Measured: 0.49, Limit: 0.92, Unit: "codes",
	Below: true, SinceBusNs: 38_250_000_000,
	Fault: "no signal",
	Text: "chip m0: no signal; pixels differ by 0.49 codes, as on an output lane that no chip drives (up to " +
		"0.92)",
	Cause:       "the chip is dead, has no supply, or its select inputs or its output are not connected",
	Consequence: "their frames hold noise and nothing of the light",
	Action:      "run 'facetctl probe' when the array may be used",
}

// GetHealth has one dead chip.
func (f *fake) GetHealth(context.Context, *facetdv1.GetHealthRequest) (*facetdv1.GetHealthResponse, error) {
	return &facetdv1.GetHealthResponse{Health: &facetdv1.Health{
		State: facetdv1.HealthState_HEALTH_STATE_BAD, Summary: fakeFinding.GetText(), WorstChip: "m0",
		BusNs: 41_500_250_000, Findings: []*facetdv1.HealthFinding{fakeFinding}, JobsLate: 1, JobsFailed: 2,
		MissedSinceBusNs: new(int64(40_000_000_000)), LastMissedBusNs: new(int64(40_500_000_000)), InjectedFaults: 1,
		Device: &facetdv1.DeviceHealth{Address: "unix:/tmp/link", Connected: true,
			ClockUncertaintyNs: new(int64(41_000)),
			ClockDriftPpm:      new(-3.25), RecentMessages: 4000, RecentLinkFaults: 12},
		Chips: []*facetdv1.ChipHealth{
			{Chip: "m0", State: facetdv1.HealthState_HEALTH_STATE_BAD, Findings: []string{"chip/m0/undriven"},
				FrameAgeNs: new(int64(35_000_000)), MeanCodes: 127.5, SpreadCodes: 0.49, UndrivenLimitCodes: 0.92},
			{Chip: "c0", State: facetdv1.HealthState_HEALTH_STATE_GOOD, FrameAgeNs: new(int64(18_000_000)),
				MeanCodes: 2150, SpreadCodes: 110.2, UndrivenLimitCodes: 0.92, NoiseCodes: new(1.25),
				ClippedHighFraction: 0.015},
		},
	}}, nil
}

func (f *fake) AcknowledgeFinding(_ context.Context, r *facetdv1.AcknowledgeFindingRequest) (
	*facetdv1.AcknowledgeFindingResponse, error) {
	f.note(r)
	if r.GetId() != fakeFinding.GetId() {
		return nil, status.Error(codes.NotFound, "there is no finding "+r.GetId())
	}
	out := proto.CloneOf(fakeFinding)
	out.Acknowledgement = &facetdv1.HealthAcknowledgement{By: r.GetBy(), Note: r.GetNote()}
	return &facetdv1.AcknowledgeFindingResponse{Finding: out}, nil
}

func (f *fake) ShelveFinding(_ context.Context, r *facetdv1.ShelveFindingRequest) (*facetdv1.ShelveFindingResponse,
	error) {
	f.note(r)
	if r.GetDuration().AsDuration() == 0 {
		return &facetdv1.ShelveFindingResponse{}, nil
	}
	return &facetdv1.ShelveFindingResponse{
		UntilTime: timestamppb.New(time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC).Add(r.GetDuration().AsDuration()))}, nil
}
