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

// StopArray confirms the release of the lines of a daemon that stores the stop; for the reason "hung" it does neither.
func (f *fake) StopArray(_ context.Context, r *facetdv1.StopArrayRequest) (*facetdv1.StopArrayResponse, error) {
	f.note(r)
	f.mu.Lock()
	defer f.mu.Unlock()
	next := &facetdv1.SafeStop{Revision: 100, Lines: &facetdv1.LineRelease{
		State: facetdv1.LineState_LINE_STATE_CONFIRMED, InactiveBusNs: new(int64(41_500_250_000))}, JobsFailed: 2,
		OnDemandFailed: 1, Stored: true}
	if f.stopped != nil {
		next = proto.CloneOf(f.stopped)
	}
	next.Requests++
	next.Revision++
	next.Reasons = append(next.Reasons, &facetdv1.StopReason{By: "this machine", Reason: r.GetReason(),
		Time: timestamppb.New(time.Date(2026, 3, 4, 5, 6, 7+len(next.Reasons), 0, time.UTC))})
	if r.GetReason() == "hung" {
		next.Lines, next.Stored, next.NotStoredReason = &facetdv1.LineRelease{}, false, "the disk is full"
	}
	f.stopped = next
	return &facetdv1.StopArrayResponse{SafeStop: next}, nil
}

// ResumeArray resumes the stop of the revision.
func (f *fake) ResumeArray(_ context.Context, r *facetdv1.ResumeArrayRequest) (*facetdv1.ResumeArrayResponse, error) {
	f.note(r)
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.stopped == nil {
		return nil, status.Error(codes.FailedPrecondition, "the array is not stopped")
	}
	over := proto.CloneOf(f.stopped)
	over.Stored = false
	f.stopped = nil
	return &facetdv1.ResumeArrayResponse{EffectiveBusNs: 42_000_000_000, SafeStop: over}, nil
}
