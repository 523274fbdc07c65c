package cli

import (
	"os"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestTheGuideQuotesRefusals: what the guide quotes of a refusal is what is printed for it.
func TestTheGuideQuotesRefusals(t *testing.T) {
	text, err := os.ReadFile("../../deploy/guide/rates.md")
	if err != nil {
		t.Fatal(err)
	}
	guide := strings.Join(strings.Fields(strings.NewReplacer("*", "").Replace(string(text))), " ")
	wall := func(change func(f *facetdv1.FittingRate)) string {
		f := &facetdv1.FittingRate{Task: "wall", RateHz: new(12.5), SearchedUpToHz: 25,
			SearchedTableNs: new(int64(2e9))}
		change(f)
		return RateLine(f)
	}
	lines := RefusalLines(&facetdv1.Refusal{LeastStretch: &facetdv1.Fraction{Numerator: 1313, Denominator: 1000},
		LeastStretchExact: true,
		Suggestions:       []*facetdv1.Suggestion{{Message: "a window"}}})
	stretch, exact, _ := strings.Cut(lines[1], ",")
	for _, quoted := range []string{
		wall(func(f *facetdv1.FittingRate) { f.ProvedHighest = true }) + ".",
		strings.TrimSuffix(wall(func(*facetdv1.FittingRate) {}),
			"(higher ones may; searched up to 25 Hz in timetables of up to 2 s)") + "(...).",
		strings.TrimSuffix(wall(func(f *facetdv1.FittingRate) { f.Witness, f.InTheWay = "reason", "bed" }), ": reason"),
		stretch, strings.TrimSpace(exact), strings.TrimSuffix(lines[2], "a window"),
	} {
		if quoted == "" || !strings.Contains(guide, quoted) {
			t.Errorf("rates.md does not quote %q", quoted)
		}
	}
}
