package main

import (
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
)

// StreamEvents sends an event before which some are not in memory, and one before which some were dropped.
func (f *fake) StreamEvents(r *facetdv1.StreamEventsRequest,
	out grpc.ServerStreamingServer[facetdv1.StreamEventsResponse]) error {
	f.note(r)
	for _, m := range []*facetdv1.StreamEventsResponse{
		{Event: &facetdv1.Event{Sequence: 6, Text: "one"}, Missed: 3},
		{Event: &facetdv1.Event{Sequence: 9, Text: "two"}, Dropped: 2},
		{Event: &facetdv1.Event{Sequence: 11, Text: "three"}, Missed: 1, Dropped: 1},
	} {
		if err := out.Send(m); err != nil {
			return err
		}
	}
	return status.Error(codes.Unavailable, "the daemon stops")
}

// TestEventsThatAreLost: those that a slow reader lost, and those that the daemon has no longer, are told apart.
func TestEventsThatAreLost(t *testing.T) {
	r := runAgainst(t, startFake(t).address, []string{"events", "--follow"}, "")
	lines := strings.Split(r.Stderr, "\n")
	const gone = " no longer in the daemon's memory, whatever the filter; 'facetctl events' shows what is on its disk"
	want := []string{"3 events" + gone, "2 events lost, this reader was too slow", "1 event" + gone,
		"1 event lost, this reader was too slow"}
	if r.Status != 1 || len(lines) < len(want) || strings.Join(lines[:4], "\n") != strings.Join(want, "\n") ||
		!strings.Contains(lines[4], "the daemon stops") {
		t.Errorf("%d: %s", r.Status, r.Stderr)
	}
	for _, text := range []string{"one", "two", "three"} {
		if !strings.Contains(r.Stdout, "  "+text+"\n") {
			t.Errorf("%q lacks event %s", r.Stdout, text)
		}
	}
}
