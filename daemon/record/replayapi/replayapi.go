// Package replayapi serves the steering of a replay over gRPC. Register it beside the
// daemon's other services; a daemon that plays no recording registers it as well, and
// refuses.
//
// There is no queue here: steps that several clients ask for at once add up, and all of
// them wait until the last has been handed out.
package replayapi

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/record/replay"
)

// Register adds ReplayService to a server. player is nil where no recording is played.
func Register(s grpc.ServiceRegistrar, player *replay.Player) {
	facetdv1.RegisterReplayServiceServer(s, &service{p: player})
}

type service struct {
	facetdv1.UnimplementedReplayServiceServer
	p *replay.Player
}

func (v *service) GetReplay(context.Context, *facetdv1.GetReplayRequest) (*facetdv1.GetReplayResponse, error) {
	if v.p == nil {
		return nil, errNoReplay()
	}
	return &facetdv1.GetReplayResponse{Replay: v.p.Replay()}, nil
}

func (v *service) PauseReplay(context.Context, *facetdv1.PauseReplayRequest) (*facetdv1.PauseReplayResponse, error) {
	if v.p == nil {
		return nil, errNoReplay()
	}
	v.p.Pause()
	return &facetdv1.PauseReplayResponse{Replay: v.p.Replay()}, nil
}

func (v *service) ResumeReplay(_ context.Context, r *facetdv1.ResumeReplayRequest) (*facetdv1.ResumeReplayResponse, error) {
	if v.p == nil {
		return nil, errNoReplay()
	}
	if r.Speed == nil {
		v.p.Resume()
	} else if err := v.p.SetSpeed(r.GetSpeed()); err != nil {
		return nil, badField("speed", err)
	}
	return &facetdv1.ResumeReplayResponse{Replay: v.p.Replay()}, nil
}

func (v *service) StepReplay(ctx context.Context, r *facetdv1.StepReplayRequest) (*facetdv1.StepReplayResponse, error) {
	if v.p == nil {
		return nil, errNoReplay()
	}
	n := max(r.GetFrameSets(), 1)
	if n > replay.MaxSteps {
		return nil, badField("frame_sets", fmt.Errorf("%d frame sets are too many; use 1 to %d", n, replay.MaxSteps))
	}
	switch err := v.p.Step(ctx, int(n)); {
	case errors.Is(err, context.DeadlineExceeded):
		return nil, status.Error(codes.DeadlineExceeded, err.Error())
	case errors.Is(err, context.Canceled):
		return nil, status.Error(codes.Canceled, err.Error())
	case err != nil:
		return nil, badField("frame_sets", err)
	}
	return &facetdv1.StepReplayResponse{Replay: v.p.Replay()}, nil
}

func (v *service) SeekReplay(_ context.Context, r *facetdv1.SeekReplayRequest) (*facetdv1.SeekReplayResponse, error) {
	if v.p == nil {
		return nil, errNoReplay()
	}
	v.p.SeekTo(r.GetBusNs())
	return &facetdv1.SeekReplayResponse{Replay: v.p.Replay()}, nil
}

// errNoReplay is FAILED_PRECONDITION with a PreconditionFailure of type NO_REPLAY.
func errNoReplay() error {
	const why = "this daemon plays no recording; start one with --bus replay:FILE"
	return detailed(codes.FailedPrecondition, why, &errdetails.PreconditionFailure{
		Violations: []*errdetails.PreconditionFailure_Violation{{Type: "NO_REPLAY", Subject: "bus", Description: why}},
	})
}

func badField(field string, err error) error {
	return detailed(codes.InvalidArgument, field+": "+err.Error(), &errdetails.BadRequest{
		FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: field, Description: err.Error()}},
	})
}

func detailed(code codes.Code, message string, detail protoadapt.MessageV1) error {
	st := status.New(code, message)
	with, err := st.WithDetails(detail)
	if err != nil {
		return st.Err()
	}
	return with.Err()
}
