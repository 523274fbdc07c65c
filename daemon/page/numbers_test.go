package page_test

import (
	"os"
	"strings"
	"testing"
)

// TestNumbersOfTheGuide: the numbers that the guide tells of the page are those of its modules.
func TestNumbersOfTheGuide(t *testing.T) {
	text, err := os.ReadFile("../../deploy/guide/page.md")
	if err != nil {
		t.Fatal(err)
	}
	guide := strings.Join(strings.Fields(string(text)), " ")
	for _, c := range []struct{ words, module, has string }{
		{"up to 16 frame sets a second of each task", "frames.mjs", "MAX_RATE_HZ = 16;"},
		{"no frame set has come for three periods of the fastest task, and at least a second", "sets.mjs",
			"Math.max(1000, 3 * Math.min(...periodsMS))"},
		{"curves over 90 s", "history.mjs", "LIVE_S = 90"},
		{"nothing was heard from the daemon for 1.5 s", "link.mjs", "SILENCE_MS = 1500;"},
		{"older than three periods of its task, and at least a second", "stats.mjs",
			"ageMS > Math.max(1000, 3 * (periodMS || 0))"},
		{"at most six connections to one address", "api.mjs", "at most six connections to one address"},
	} {
		if !strings.Contains(guide, c.words) {
			t.Errorf("page.md does not say %q any more", c.words)
		}
		module, err := os.ReadFile("static/" + c.module)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(module), c.has) {
			t.Errorf("page.md says %q, and %s has no %q", c.words, c.module, c.has)
		}
	}
}
