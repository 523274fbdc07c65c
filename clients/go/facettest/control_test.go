package facettest_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
	"facetd.example/clients/go/facettest"
)

// TestStopAndResume: a stop ends the streams with an error that says so, refuses captures, and is over when it is
// resumed, by the revision that it gave.
func TestStopAndResume(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo})
	n := 0
	var stop *facetdv1.SafeStop
	for _, err := range a.Client.FrameSets(t.Context(), facet.StreamOptions{}) {
		if err != nil {
			if !facet.IsStopped(err) {
				t.Fatalf("the stream ended with %v", err)
			}
			break
		}
		if n++; n == 5 {
			if stop, err = a.Client.Stop(t.Context(), "hands on the array"); err != nil {
				t.Fatal(err)
			}
		}
		if n > 50 {
			t.Fatal("the stream goes on after a stop")
		}
	}
	if _, err := a.Client.Capture(t.Context(), facet.Group("bow"), facet.CaptureOptions{}); !facet.IsStopped(err) {
		t.Errorf("a capture of a stopped array: %v", err)
	}
	if _, err := a.Client.Resume(t.Context(), stop.GetRevision()+1); err == nil {
		t.Error("a resume of a stop that there was not is taken")
	}
	if _, err := a.Client.Resume(t.Context(), stop.GetRevision()); err != nil {
		t.Fatal(err)
	}
	n = 0
	for _, err := range a.Client.FrameSets(t.Context(), facet.StreamOptions{}) {
		if err != nil {
			t.Fatal(err)
		}
		if n++; n == 5 {
			break
		}
	}
	if n != 5 {
		t.Errorf("%d sets after the resume", n)
	}
}

// TestParametersFromJobToJob: a window that may move is where it was set to from the job on that the answer names.
func TestParametersFromJobToJob(t *testing.T) {
	a := facettest.New(t, facettest.Config{Array: facettest.YAML(comb), Tasks: facettest.YAML(`
tasks:
  - name: track
    target: {all: {}}
    rate_hz: 40
    views: [{name: spot, window: {rows: 4, columns: 4}, movable: {row: {high: 20}, column: {high: 16}}}]
`)})
	var from uint64
	set, at := false, uint32(0)
	for s, err := range a.Client.FrameSets(t.Context(), facet.StreamOptions{}) {
		if err != nil {
			t.Fatal(err)
		}
		w := s.Message.GetFrames()[0].GetWindow()
		want := uint32(0)
		if set && s.Message.GetJob() >= from {
			want = 7
		}
		if w.GetRow() != want || w.GetColumn() != want {
			t.Errorf("job %d: window at %d, %d, want %d", s.Message.GetJob(), w.GetRow(), w.GetColumn(), want)
		}
		if at++; at == 3 {
			if from, err = a.Client.SetTaskParameters(t.Context(), "track", &facetdv1.ViewParameters{View: "spot",
				Row: proto.Uint32(7), Column: proto.Uint32(7)}); err != nil {
				t.Fatal(err)
			}
			set = true
		}
		if set && s.Message.GetJob() > from+2 {
			break
		}
	}
	if _, err := a.Client.SetTaskParameters(t.Context(), "track", &facetdv1.ViewParameters{View: "spot",
		Row: proto.Uint32(21)}); err == nil {
		t.Error("a row beyond its bounds is taken")
	}
}
