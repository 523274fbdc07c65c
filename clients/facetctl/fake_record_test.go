package main

import (
	"context"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
)

func fakeRecording(name string, state facetdv1.RecordingState) *facetdv1.Recording {
	return &facetdv1.Recording{
		Name: name, State: state, FrameSets: 950, Lost: 3, LostFrameSets: 2, Bytes: 123456,
		Parts:     []*facetdv1.RecordingPart{{File: name + "-001.mcap"}},
		StartTime: timestamppb.New(time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)),
	}
}

func (f *fake) StartRecording(_ context.Context, r *facetdv1.StartRecordingRequest) (*facetdv1.StartRecordingResponse,
	error) {
	f.note(r)
	return &facetdv1.StartRecordingResponse{Recording: fakeRecording("bend",
		facetdv1.RecordingState_RECORDING_STATE_RUNNING)}, nil
}

func (f *fake) StopRecording(_ context.Context, r *facetdv1.StopRecordingRequest) (*facetdv1.StopRecordingResponse,
	error) {
	f.note(r)
	if r.GetName() != "bend" {
		return nil, status.Error(codes.NotFound, "no recording of that name runs")
	}
	got := fakeRecording("bend", facetdv1.RecordingState_RECORDING_STATE_CLOSED)
	got.Reason = "it was asked to stop"
	return &facetdv1.StopRecordingResponse{Recording: got}, nil
}

func (f *fake) GetRecording(_ context.Context, r *facetdv1.GetRecordingRequest) (*facetdv1.GetRecordingResponse,
	error) {
	f.note(r)
	got := fakeRecording(r.GetName(), facetdv1.RecordingState_RECORDING_STATE_RUNNING)
	got.Parts = append([]*facetdv1.RecordingPart{{File: "../" + r.GetName() + "-000.mcap", Closed: true}},
		got.GetParts()...)
	return &facetdv1.GetRecordingResponse{Recording: got}, nil
}

func (f *fake) DownloadRecording(r *facetdv1.DownloadRecordingRequest,
	out grpc.ServerStreamingServer[facetdv1.DownloadRecordingResponse]) error {
	f.note(r)
	return out.Send(&facetdv1.DownloadRecordingResponse{Data: []byte("mcap"), TotalBytes: 4, Etag: "e"})
}

func (f *fake) DeleteRecording(_ context.Context,
	r *facetdv1.DeleteRecordingRequest) (*facetdv1.DeleteRecordingResponse,
	error) {
	f.note(r)
	if r.GetName() != "bend" {
		return nil, status.Error(codes.FailedPrecondition, "recording "+r.GetName()+" is being written; stop it first")
	}
	return &facetdv1.DeleteRecordingResponse{Recording: fakeRecording("bend",
		facetdv1.RecordingState_RECORDING_STATE_CLOSED)}, nil
}

// ListRecordings has two pages.
func (f *fake) ListRecordings(_ context.Context, r *facetdv1.ListRecordingsRequest) (*facetdv1.ListRecordingsResponse,
	error) {
	f.note(r)
	if r.GetPageToken() == "" {
		return &facetdv1.ListRecordingsResponse{Recordings: []*facetdv1.Recording{fakeRecording("arch",
			facetdv1.RecordingState_RECORDING_STATE_TORN)}, NextPageToken: "arch"}, nil
	}
	return &facetdv1.ListRecordingsResponse{Recordings: []*facetdv1.Recording{fakeRecording("bend",
		facetdv1.RecordingState_RECORDING_STATE_CLOSED)}}, nil
}
