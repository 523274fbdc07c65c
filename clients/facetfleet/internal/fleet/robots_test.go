package fleet

import (
	"errors"
	"testing"

	fleetv1 "facetd.example/api/facetfleet/v1"
)

// TestRobotsAreListedOnce: also where the connection is made anew while they are read, and all come again.
func TestRobotsAreListedOnce(t *testing.T) {
	var l list
	give := func(name string, count uint64, forgotten bool) {
		t.Helper()
		r := &Robot{Robot: &fleetv1.Robot{Name: name, Count: count}, Forgotten: forgotten}
		if err := l.take(r); err != nil {
			t.Fatal(err)
		}
	}
	give("gone", 1, true)
	for count := range uint64(2) {
		give("crawler", count, false)
		give("mole", count, count == 1)
	}
	if len(l.robots) != 1 || l.robots["crawler"].GetCount() != 1 {
		t.Errorf("the robots are %v", l.robots)
	}
	if err := l.take(nil); !errors.Is(err, errComplete) {
		t.Errorf("at the end of the list: %v", err)
	}
}
