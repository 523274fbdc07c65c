package facettest_test

import (
	"context"
	"sync"
	"testing"
	"time"

	"facetd.example/clients/go/facet"
	"facetd.example/clients/go/facettest"
)

// TestMotionLetsTimeMove: who reads estimates of motion lets bus time move as who reads frame sets does, alone and
// beside a reader of those, and misses none.
func TestMotionLetsTimeMove(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	c := facettest.Start(t, facettest.Demo, facettest.Demo)
	jobs := func(tasks []string, count int) {
		next := map[string]uint64{}
		for e, err := range c.Motion(ctx, facet.MotionOptions{Tasks: tasks}) {
			if err != nil {
				t.Errorf("estimates of %v: %v", tasks, err)
				return
			}
			if want, was := next[e.GetTask()]; was && e.GetJob() != want {
				t.Errorf("job %d of %s, want %d", e.GetJob(), e.GetTask(), want)
			}
			next[e.GetTask()] = e.GetJob() + 1
			if count--; count == 0 {
				return
			}
		}
	}
	jobs([]string{"bed"}, 5)
	jobs(nil, 10)
	frames, err := c.Subscribe(ctx, facet.StreamOptions{Tasks: []string{"wall"}})
	if err != nil {
		t.Fatal(err)
	}
	var both sync.WaitGroup
	both.Go(func() { jobs([]string{"bed"}, 10) })
	both.Go(func() {
		defer frames.Close()
		for range 10 {
			if set, err := frames.Next(); err != nil || set.Gap.Any() {
				t.Errorf("%v: %v", set, err)
				return
			}
		}
	})
	both.Wait()
}

// TestCorrectMakesMaps: of tasks that are to be corrected the maps are there from the first frame on, and of others
// none.
func TestCorrectMakesMaps(t *testing.T) {
	tasks := facettest.YAML("tasks:\n- {name: a, target: {list: {names: [bed-0]}}, rate_hz: 20}\n" +
		"- {name: b, target: {list: {names: [bed-1]}}, rate_hz: 20}\n")
	a := facettest.New(t, facettest.Config{Tasks: tasks, Correct: []string{"a"}})
	for task, want := range map[string]int{"a": 1, "b": 0} {
		s, err := a.Client.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{task}, Corrected: true})
		if err != nil {
			t.Fatal(err)
		}
		set, err := s.Next()
		s.Close()
		if err != nil || len(set.Frames()) != 1 || min(1, len(set.Frames()[0].Message.GetCorrections())) != want {
			t.Errorf("task %s: %v, %v, want %d corrections", task, set, err, want)
		}
	}
}
