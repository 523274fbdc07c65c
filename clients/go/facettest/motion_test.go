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
