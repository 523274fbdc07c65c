package main

import (
	"errors"
	"fmt"
	"io"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

// StreamMotion sends one estimate for each that is granted: of a body that turns, of one that moves, and of one of
// which nothing is told.
func (f *fake) StreamMotion(s grpc.BidiStreamingServer[facetdv1.StreamMotionRequest,
	facetdv1.StreamMotionResponse]) error {
	turned := &facetdv1.BodyMotion{Told: true, RotationOnly: true, RateRadPerS: []float64{0, -0.004, 0.2094}}
	moved := &facetdv1.BodyMotion{Told: true, RateRadPerS: []float64{0.001, 0, 0}, Heading: []float64{0.995, -0.1, 0},
		Chips: []*facetdv1.ChipNearness{{Chip: "ring-0"}, {Chip: "ring-1", ContactS: proto.Float64(3.25)},
			{Chip: "ring-2", ContactS: proto.Float64(1.5)}}}
	dim := []*facetdv1.ChipMotion{{Chip: "ring-0", Reason: facetdv1.MotionReason_MOTION_REASON_DIM},
		{Chip: "ring-1", Reason: facetdv1.MotionReason_MOTION_REASON_OUT_OF_RANGE},
		{Chip: "ring-2", Reason: facetdv1.MotionReason_MOTION_REASON_DIM}}
	events := []*facetdv1.MotionEstimate{
		{Task: "ring", Job: 7, Body: turned, Chips: []*facetdv1.ChipMotion{{Chip: "ring-0"}}},
		{Task: "ring", Job: 8, Body: moved, Chips: dim[2:]},
		{Task: "ring", Job: 9, Body: &facetdv1.BodyMotion{}, Chips: dim},
	}
	first, err := s.Recv()
	if err != nil {
		return err
	}
	f.note(first.GetStart())
	if err := s.Send(&facetdv1.StreamMotionResponse{Event: &facetdv1.StreamMotionResponse_Begun{
		Begun: &facetdv1.MotionBegun{}}}); err != nil {
		return err
	}
	for i := range events {
		if r, err := s.Recv(); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil || r.GetGrant().GetEstimates() != 1 {
			return errors.Join(err, fmt.Errorf("it asked for %v", r))
		}
		if err := s.Send(&facetdv1.StreamMotionResponse{Event: &facetdv1.StreamMotionResponse_Delivery{
			Delivery: &facetdv1.MotionDelivery{Estimate: events[i]}}}); err != nil {
			return err
		}
	}
	<-s.Context().Done()
	return s.Context().Err()
}
