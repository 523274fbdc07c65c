package facet_test

import (
	"slices"
	"testing"
	"time"

	"facetd.example/clients/go/facet"
)

// TestFramesWithinASecondOfTheDaemonsReturn: of a daemon that was away for a moment the frames are there again within a
// second, with the retries that nobody has chosen.
func TestFramesWithinASecondOfTheDaemonsReturn(t *testing.T) {
	at, stop := daemon(t, "127.0.0.1:0")
	c, err := facet.Connect(at, facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	s, err := c.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{"bow"}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.Next(); err != nil {
		t.Fatal(err)
	}
	var took []time.Duration
	for range 3 { // in one of which the machine may have been busy
		stop()
		time.Sleep(300 * time.Millisecond) // so long it is away
		_, stop = daemon(t, at)
		back := time.Now()
		for {
			set, err := s.Next()
			if err != nil {
				t.Fatal(err)
			}
			if set.Gap.Restarted {
				break
			}
		}
		took = append(took, time.Since(back))
	}
	slices.Sort(took)
	if took[1] > time.Second {
		t.Errorf("frames came %v after the daemon", took)
	}
}
