package stream

import (
	"fmt"
	"slices"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

// woken reports whether a reader is told to look again.
func woken(s *Subscription) bool {
	select {
	case <-s.Wake():
		return true
	default:
		return false
	}
}

// TestTasksToldOf: whoever reads is told that the tasks have changed, or that one was paused, and can tell that from a
// frame set.
func TestTasksToldOf(t *testing.T) {
	h := NewHub()
	s := subscribe(t, h, Options{})
	for what, change := range map[string]func(){
		"other tasks":    func() { h.SetTasks([]string{"a"}) },
		"a pause of one": h.LookAgain,
	} {
		woken(s)
		before := s.Tasks()
		if change(); s.Tasks() != before+1 || !woken(s) {
			t.Errorf("%s: %d changes, before %d, or nobody was woken", what, s.Tasks(), before)
		}
		if h.Publish(set("a", 0)); s.Tasks() != before+1 || !woken(s) {
			t.Errorf("a frame set after %s: %d changes, before %d, or nobody was woken", what, s.Tasks(), before)
		}
	}
}

// TestNewestInOrder: sets that finished at once are in the order of their tasks, those before them ahead, whatever
// their tasks are called.
func TestNewestInOrder(t *testing.T) {
	h := NewHub()
	var want []string
	for i := range 20 { // as many, so that no order comes about by chance
		task := fmt.Sprintf("t%02d", (7*i)%20)
		h.Publish(finished(task, 3, 50))
		want = append(want, fmt.Sprintf("t%02d/3", i))
	}
	h.Publish(finished("a", 3, 60))
	h.Publish(finished("z", 3, 40))
	want = append(append([]string{"z/3"}, want...), "a/3")
	if got, _, _ := h.Newest(Options{}, all); !slices.Equal(names(got), want) {
		t.Errorf("newest %v, want %v", names(got), want)
	}
}

// TestNewestOfManyTasks: as many tasks as may wait all have their newest set, again and again; one name more starts
// over, so that what is kept stays bounded where names come and go.
func TestNewestOfManyTasks(t *testing.T) {
	h := NewHub()
	kept := func() int {
		sets, _, _ := h.Newest(Options{}, all)
		return len(sets)
	}
	for i := range MaxWaitingTasks + 3 {
		h.Publish(set(fmt.Sprint("t", i%MaxWaitingTasks), uint64(i/MaxWaitingTasks)))
	}
	if n := kept(); n != MaxWaitingTasks {
		t.Errorf("of %d tasks %d have a newest set", MaxWaitingTasks, n)
	}
	if h.Publish(set("one more", 0)); kept() != 1 {
		t.Errorf("%d sets are kept after one name more", kept())
	}
}

// TestWhatNobodyAsksForIsForgotten: who took the newest set of a task is known to want so many more; of a task that
// nobody asked for, or not lately, nothing is kept.
func TestWhatNobodyAsksForIsForgotten(t *testing.T) {
	h := NewHub()
	h.Publish(set("a", 0))
	h.Publish(set("b", 0))
	if len(h.newest.asked) != 0 {
		t.Errorf("nobody asked for any: %v", h.newest.asked)
	}
	_, _, _ = h.Newest(Options{Tasks: []string{"a"}}, all)
	for i := range askedFor {
		if !h.Wants("a") {
			t.Errorf("after %d sets nobody wants the next", i)
		}
		h.Publish(set("a", uint64(1+i)))
	}
	if h.Wants("a") || len(h.newest.asked) != 0 {
		t.Errorf("%v is kept of what was asked for long ago", h.newest.asked)
	}
}

// TestLossesOfManyTasks: what was lost of each task is counted for as many as may wait; one name more starts over, so
// that the counts stay bounded where names come and go.
func TestLossesOfManyTasks(t *testing.T) {
	h := NewHub()
	s := subscribe(t, h, Options{})
	publish := func(jobs ...uint64) {
		for _, job := range jobs {
			for i := range MaxWaitingTasks {
				h.Publish(set(fmt.Sprint("t", i), job))
			}
		}
	}
	publish(0, 1, 2)
	m, _, err := s.Take()
	if err != nil || m.OfTask != 2 || m.Dropped != 2*MaxWaitingTasks {
		t.Errorf("%d of the task are counted as lost, %d in all: %v", m.OfTask, m.Dropped, err)
	}
	publish(3) // all have lost one now, but for the one that was read
	h.Publish(set("t0", 4))
	if len(s.lost) != MaxWaitingTasks {
		t.Fatalf("losses of %d tasks are counted", len(s.lost))
	}
	h.Publish(set("one more", 0)) // makes another lose its set, whose losses are counted already
	h.Publish(set("one more", 1))
	if len(s.lost) != 1 {
		t.Errorf("losses of %d tasks are counted after one name more", len(s.lost))
	}
	if m, _, _ = s.Take(); m.DroppedTotal != 3*MaxWaitingTasks+2 {
		t.Errorf("%d were lost in all", m.DroppedTotal)
	}
}

// TestTheLargestTaskLoses: beyond the bytes that may wait the task loses of which most wait, not the oldest; of equal
// ones the one that comes first.
func TestTheLargestTaskLoses(t *testing.T) {
	part := make([]byte, MaxWaitingBytes/4)
	of := func(task string, parts int) *facetdv1.FrameSet {
		fs := &facetdv1.FrameSet{Task: task}
		for range parts {
			fs.Frames = append(fs.Frames, &facetdv1.Frame{Data: part})
		}
		return fs
	}
	for _, c := range []struct {
		sets []*facetdv1.FrameSet
		lost string
	}{
		{[]*facetdv1.FrameSet{of("small", 1), of("large", 2), of("new", 2)}, "large"},
		{[]*facetdv1.FrameSet{of("small", 1), of("many", 1), of("many", 1), of("small too", 1), of("new", 1)}, "many"},
		{[]*facetdv1.FrameSet{of("first", 2), of("second", 2), of("new", 1)}, "first"},
	} {
		h := NewHub()
		s := subscribe(t, h, Options{Policy: Queue, Length: MaxQueue})
		for _, fs := range c.sets {
			h.Publish(fs)
		}
		if len(s.lost) != 1 || s.lost[c.lost] != 1 {
			t.Errorf("lost were %v, want one of %s", s.lost, c.lost)
		}
	}
}
