package api

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// pause pauses a task, or resumes it.
func (w *world) pause(name string, paused bool) {
	w.find(name).Status.Paused = paused
	w.changed()
}

// TestPausesAreTold in a stream: once, after the frame sets that wait, with the beginning and in heartbeats; the frames
// after one follow on those before it.
func TestPausesAreTold(t *testing.T) {
	w := newWorld(t, "ring", "bed")
	w.pause("bed", true)
	s := w.follow(t, &facetdv1.FollowStart{FrameSets: 20, HeartbeatInterval: durationpb.New(50 * time.Millisecond)})
	if b := s.begun.GetTasks(); len(b) != 2 || b[0].GetPaused() || !b[1].GetPaused() {
		t.Fatalf("it began with %v", b)
	}
	w.end("ring", 1)
	s.expect("ring:1/0 -0")
	w.pause("ring", true)
	s.expect("paused ring:1")
	m, err := s.Recv()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range m.GetHeartbeat().GetTasks() {
		if !p.GetPaused() {
			t.Errorf("a heartbeat says %v", p)
		}
	}
	if len(m.GetHeartbeat().GetTasks()) != 2 {
		t.Errorf("got %v", m)
	}
	w.pause("bed", false)
	s.expectAfterBeats("resumed bed:2")
	w.pause("ring", false)
	s.expectAfterBeats("resumed ring:1")
	w.end("ring", 1)
	s.expectAfterBeats("ring:1/1 -0")
	w.remove("ring")
	s.expectAfterBeats("removed ring:1")
}

// expectAfterBeats is expect of one response, with heartbeats before it.
func (f *following) expectAfterBeats(want string) {
	f.t.Helper()
	got := "heartbeat"
	for got == "heartbeat" {
		got = f.next(1)[0]
	}
	if got != want {
		f.t.Errorf("got %q, want %q", got, want)
	}
}
