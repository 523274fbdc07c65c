package measure

import (
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
)

// TestWhatAProbeLeavesOpen: only of a probe that made all its readouts it is said that faults show the same as none.
func TestWhatAProbeLeavesOpen(t *testing.T) {
	for early, want := range map[string]string{
		"":                              "these show the same and cannot be excluded",
		"no more readouts were allowed": "these are not excluded by the readouts that were made",
	} {
		r := NewReport(bustest.MustArray(), 1, 7)
		JudgeProbe(r, &facetdv1.ProbeResult{
			Verdict: facetdv1.ProbeVerdict_PROBE_VERDICT_NOT_EXCLUDED, EndedEarly: early,
			Cases: []*facetdv1.FaultCase{{Places: []*facetdv1.FaultPlace{{OneOf: []*facetdv1.Fault{{}, {}}}}}}},
			func(int, string) {})
		says := ""
		for _, m := range r.Measurements {
			if strings.HasPrefix(m.GetQuantity(), "explanations") {
				says = m.GetNote()
			}
		}
		if says != "no fault is needed to explain what was seen, but "+want {
			t.Errorf("ended early %q: %q", early, says)
		}
	}
}
