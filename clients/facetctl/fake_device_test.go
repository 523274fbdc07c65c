package main

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// GetDevice answers with a device that was lost once; the second time it is away.
func (f *fake) GetDevice(_ context.Context, r *facetdv1.GetDeviceRequest) (*facetdv1.GetDeviceResponse, error) {
	f.note(r)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.devices++
	d := &facetdv1.DeviceStatus{
		Address: "unix:/tmp/link", Connected: f.devices%2 == 1, Build: "host", Boot: "00c0ffee", Protocol: "1.0",
		Since:    timestamppb.New(time.Date(2026, 11, 3, 10, 20, 30, 0, time.UTC)),
		LastLoss: "nothing was heard of the device for too long",
		Limits: &facetdv1.DeviceLimits{TickNs: 40, ReadyNs: 38_192_000, LeadNs: 40_192_000, ReleaseNs: 10_000,
			ArmNs: 1000, LeaseNs: 1_000_000_000, StoreBytes: 16384, Programs: 64, Queue: 64, Lines: 64, Lanes: 8},
		Clock: &facetdv1.DeviceClock{OffsetNs: -2_500_000, UncertaintyNs: 41_000, DriftPpm: new(-3.25),
			DriftUncertaintyPpm: 1.5, LeastRoundTripNs: 80_000, WorstRoundTripNs: 1_900_000},
		Counters: &facetdv1.DeviceCounters{Sessions: 2, Losses: 1, Uploads: 31, Kept: 31, Programs: 31, Runs: 912,
			LateHost: 3, Recalled: 5, BrokenOff: 1, Sent: 1400, Received: 39_000, Submitted: 924, Lost: 2,
			Rejected: 1, Resent: 17, Doubled: 4, OutOfOrder: 3, Spoiled: 9, Unacknowledged: 2},
		LeastSlackNs: new(int64(1_230_000)),
		SelfTest:     &facetdv1.DeviceSelfTest{Required: true, Passed: true},
		Readings: []*facetdv1.DeviceReading{
			{Name: "array", Unit: facetdv1.ReadingUnit_READING_UNIT_VOLTS, Value: 3.302, Low: 3, High: 3.6},
			{Name: "array", Unit: facetdv1.ReadingUnit_READING_UNIT_AMPERES, Value: 0.62, Low: 0, High: 0.5},
			{Name: "board", Unit: facetdv1.ReadingUnit_READING_UNIT_CELSIUS, Value: 41.5, Low: -10, High: 70},
		},
	}
	if !d.GetConnected() {
		d.LeastSlackNs, d.Clock.DriftPpm = nil, nil
	}
	return &facetdv1.GetDeviceResponse{Device: d}, nil
}

// GetInputs answers with a mark and two inputs, one of which triggers a task.
func (f *fake) GetInputs(_ context.Context, r *facetdv1.GetInputsRequest) (*facetdv1.GetInputsResponse, error) {
	f.note(r)
	out := &facetdv1.GetInputsResponse{
		Mark: &facetdv1.MarkStatus{Pin: "C14", Tasks: []string{"wall", "bow"}, Marks: 1301,
			LastBusNs: new(int64(20_000_400_040))},
		Inputs: []*facetdv1.InputStatus{
			{Name: "wheel", Pin: "D2", Edge: facetdv1.Edge_EDGE_BOTH, Edges: 7, Missed: 2},
			{Name: "seen", Pin: "D3", Edge: facetdv1.Edge_EDGE_RISING, Triggers: "look", Edges: 3, Taken: 2, Late: 1,
				Refused: 1, LastRefusal: "task look is paused, and is not triggered; resume it first"},
		},
	}
	for n := uint64(2); n <= 7; n++ {
		out.Inputs[0].Recent = append(out.Inputs[0].Recent, &facetdv1.InputEdge{Number: n, High: n%2 == 1,
			AtBusNs: 1_000_000_040 * int64(n)})
	}
	return out, nil
}

// SetInput answers that the level has changed where it is high.
func (f *fake) SetInput(_ context.Context, r *facetdv1.SetInputRequest) (*facetdv1.SetInputResponse, error) {
	f.note(r)
	return &facetdv1.SetInputResponse{AtBusNs: 5_000_000_000, Changed: r.GetHigh()}, nil
}

// SelfTestDevice answers with a test that has passed, and of any other board with one that has not.
func (f *fake) SelfTestDevice(_ context.Context, r *facetdv1.SelfTestDeviceRequest) (*facetdv1.SelfTestDeviceResponse,
	error) {
	f.note(r)
	t := &facetdv1.DeviceSelfTest{Required: true, Passed: true, Outputs: 14, Unwired: 26, WorstNs: 40}
	if r.GetBoard() != "crawler-hub" {
		t.Passed, t.Failure = false, "a rising edge at input D0 was not measured, of output A2 (select x0)"
	}
	return &facetdv1.SelfTestDeviceResponse{SelfTest: t}, nil
}
