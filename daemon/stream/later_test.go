package stream

import (
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestPixelsForWhoTakesThem: pixels that were put off are looked at for each who takes the frame set, before it has it,
// and for nobody else.
func TestPixelsForWhoTakesThem(t *testing.T) {
	h := NewHub()
	looked := map[uint64]int{}
	publish := func(task string, job uint64) {
		h.PublishLater(set(task, job, "a"), func() { looked[job]++ })
	}
	s := subscribe(t, h, Options{Tasks: []string{"x"}})
	for job := range uint64(3) {
		publish("x", job)
		publish("y", 10+job)
	}
	if len(looked) != 0 {
		t.Errorf("looked at %v before anybody took one", looked)
	}
	if got := read(t, s, 1); got[0] != "x/2 -2 (2)" || looked[2] != 1 || len(looked) != 1 {
		t.Errorf("took %v, looked at %v", got, looked)
	}
	any := func(*facetdv1.FrameSet) bool { return true }
	if _, _, err := h.Newest(Options{Tasks: []string{"y"}}, any); err != nil || looked[12] != 1 || len(looked) != 2 {
		t.Errorf("%v, looked at %v", err, looked)
	}
}

// TestWhoWantsWhat: a subscriber wants its tasks, and whoever took the newest set of a task wants a few more of it.
func TestWhoWantsWhat(t *testing.T) {
	h := NewHub()
	h.SetTasks([]string{"x", "y"})
	wants := func(x, y bool) {
		t.Helper()
		if h.Wants("x") != x || h.Wants("y") != y {
			t.Errorf("wanted: x %v, y %v; want %v, %v", h.Wants("x"), h.Wants("y"), x, y)
		}
	}
	wants(false, false)
	s := subscribe(t, h, Options{Tasks: []string{"y"}})
	wants(false, true)
	s.Close()
	wants(false, false)
	every := subscribe(t, h, Options{})
	wants(true, true)
	every.Close()

	h.Publish(set("x", 0, "a"))
	take := func(newer bool) {
		if _, _, err := h.Newest(Options{}, func(*facetdv1.FrameSet) bool { return newer }); err != nil {
			t.Fatal(err)
		}
	}
	take(false)
	wants(false, false)
	take(true)
	for range askedFor {
		wants(true, false)
		h.Publish(set("y", 1, "a"))
		h.Publish(set("x", 1, "a"))
	}
	wants(false, false)
	take(true)
	wants(true, true)
	h.SetTasks([]string{"y"})
	wants(false, true)
}
