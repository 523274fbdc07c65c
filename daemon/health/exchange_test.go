package health

import (
	"slices"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
)

// TestSwappedLinesStayOneFinding: two swapped lines are told as such for as long as chips show them: also where the
// light is such for a while that no pattern is told from it, and while one chip after the other comes to be well again.
func TestSwappedLinesStayOneFinding(t *testing.T) {
	m := New(bustest.MustArray())
	var tasks []*facetdv1.Task
	chips := []string{"m0", "m2"}
	for _, chip := range chips {
		tasks = append(tasks, &facetdv1.Task{Name: "t-" + chip, RateHz: 10, Views: []*facetdv1.View{{Name: "v"}},
			Target: &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{chip}}}}})
	}
	m.Plan(tasks, 0)
	now, step := int64(0), int64(2e9)
	// look takes a sample of a chip, and tells what is found then.
	look := func(chip string, part, partError float64, other string) string {
		now += step
		m.JobEnded(&facetdv1.FrameSet{Task: "t-" + chip, FinishBusNs: now,
			Frames: []*facetdv1.Frame{{Chip: chip, View: "v"}}})
		s := Sample{Task: "t-" + chip, View: "v", At: now, Pixels: 256, Mean: 500, Spread: 50, Noise: -1, Hot: -1,
			Part: part, PartError: partError, Other: other}
		if other != "" {
			s.OtherPart = 0.95
		}
		m.Take(m.array.Chip(chip), s)
		h := m.Report(conditions(m, now))
		for _, f := range h.GetFindings() {
			if strings.Contains(f.GetText(), "pattern of  ") {
				t.Errorf("no chip is named: %s", f.GetText())
			}
		}
		return strings.Join(slices.DeleteFunc(strings.Fields(ids(h)), func(id string) bool {
			return !strings.HasSuffix(id, "/swapped") && !strings.HasSuffix(id, "/foreign-pattern")
		}), " ")
	}
	other := map[string]string{"m0": "m2", "m2": "m0"}
	got := ""
	for range 4 {
		for _, chip := range chips {
			got = look(chip, 0, 0.02, other[chip])
		}
	}
	const swapped = "line/x0/swapped"
	if got != swapped {
		t.Fatalf("told is %q", got)
	}
	for range 3 {
		for _, chip := range chips {
			if got = look(chip, 0, 0, ""); got != swapped {
				t.Fatalf("in light that tells no pattern %q is told", got)
			}
		}
	}
	step = 5e7 // chips of which something is about to show are looked at with every frame
	for range ends + 1 {
		for _, chip := range chips {
			if got = look(chip, 1, 0.02, ""); got != swapped && got != "" {
				t.Errorf("while chips come to be well %q is told", got)
			}
		}
	}
	if got != "" {
		t.Errorf("of chips that are well %q is told", got)
	}
}
