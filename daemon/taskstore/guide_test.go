package taskstore

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

// TestTimesOfTheGuide: how often a disk that refuses is tried again, and what a crash may take, are as the guide says.
func TestTimesOfTheGuide(t *testing.T) {
	if movedPeriod.Seconds() != 1 {
		t.Errorf("a crash may take %v, the guide says the last second", movedPeriod)
	}
	for page, says := range map[string]string{
		"troubleshooting.md": fmt.Sprintf("It is tried again every %.0f s", retryPeriod.Seconds()),
		"rates.md":           "a crash may take what was set in the last second",
	} {
		text, err := os.ReadFile("../../deploy/guide/" + page)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(strings.Join(strings.Fields(string(text)), " "), says) {
			t.Errorf("%s does not say %q", page, says)
		}
	}
}
