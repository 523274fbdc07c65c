package main

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// GetHistory has two steps of ten seconds, between which there is one without values.
func (f *fake) GetHistory(_ context.Context, r *facetdv1.GetHistoryRequest) (*facetdv1.GetHistoryResponse, error) {
	f.note(r)
	return &facetdv1.GetHistoryResponse{
		BeginTime: timestamppb.New(time.Date(2026, 3, 4, 23, 59, 50, 0, time.UTC)),
		Step:      durationpb.New(10 * time.Second), Steps: 3, NotKept: 2,
		Series: []*facetdv1.HistorySeries{
			{Quantity: facetdv1.HistoryQuantity_HISTORY_QUANTITY_UTILIZATION, Phase: facetdv1.Phase_PHASE_LOAD,
				Runs: []*facetdv1.HistoryRun{{Means: []float32{0.25, 0.25, 0.5}, Leasts: []float32{0.25, 0.25, 0.25},
					Mosts: []float32{0.25, 0.25, 0.75}}}},
			{Quantity: facetdv1.HistoryQuantity_HISTORY_QUANTITY_SLACK, Task: "look", Runs: []*facetdv1.HistoryRun{
				{Means: []float32{1500}, Leasts: []float32{-200}, Mosts: []float32{2_500_000}},
				{First: 2, Means: []float32{500}, Leasts: []float32{400}, Mosts: []float32{600}}}},
		}}, nil
}
