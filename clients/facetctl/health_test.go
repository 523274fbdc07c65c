package main

import (
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestHealthSaysWhyNothingIsJudged: where no finding says what is the matter, the summary does.
func TestHealthSaysWhyNothingIsJudged(t *testing.T) {
	h := &facetdv1.Health{State: facetdv1.HealthState_HEALTH_STATE_NOT_JUDGED,
		Summary: "no chip could be judged: no task reads it", Chips: []*facetdv1.ChipHealth{{Chip: "c0"}}}
	for state, want := range map[facetdv1.HealthState]bool{
		facetdv1.HealthState_HEALTH_STATE_NOT_JUDGED: true, facetdv1.HealthState_HEALTH_STATE_GOOD: false} {
		h.State = state
		var out strings.Builder
		if err := writeHealth(&out, h, false); err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(out.String(), "\n"+h.GetSummary()+"\n"); got != want {
			t.Errorf("%v: %q", state, out.String())
		}
	}
}
