package acceptance

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"facetd.example/daemon/access"
	"facetd.example/daemon/api"
	"facetd.example/daemon/taskstore"
)

// troubleshooting is that page of the guide, in one line.
func troubleshooting(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../../deploy/guide/troubleshooting.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestNumbersOfTroubleshooting: the limits that the page tells are those of the code and of the unit.
func TestNumbersOfTroubleshooting(t *testing.T) {
	page := strings.Join(strings.Fields(troubleshooting(t)), " ")
	unit, err := os.ReadFile("../../deploy/systemd/facetd.service")
	if err != nil {
		t.Fatal(err)
	}
	for _, word := range []string{"StartLimitIntervalSec=10min", "StartLimitBurst=5"} {
		if !strings.Contains(string(unit), word) {
			t.Errorf("the unit has no %s, which the page tells", word)
		}
	}
	for _, says := range []string{
		fmt.Sprintf("a connection on which no call was admitted ends after %.0f s", access.CallLimit.Seconds()),
		fmt.Sprintf("requests must arrive within %.0f s", api.RequestLimit.Seconds()),
		fmt.Sprintf("`no call was admitted within %v`", access.CallLimit),
		fmt.Sprintf("`the request did not arrive within %v`", api.RequestLimit),
		"`" + strings.Split((&taskstore.FutureError{Version: taskstore.Version + 1}).Error(), ":")[0] + "`",
		"After five in ten minutes the unit stays down",
	} {
		if !strings.Contains(page, says) {
			t.Errorf("troubleshooting.md does not say %q", says)
		}
	}
}

// TestTheAlertOfRates: the share of the bus from which on the guide says that an alert warns is the rule's.
func TestTheAlertOfRates(t *testing.T) {
	for file, says := range map[string]string{
		"guide/rates.md":              "The alerts in `deploy/prometheus` warn above 90 %",
		"prometheus/facetd-rules.yml": "instance:facetd_bus_busy:ratio_rate5m > 0.9\n",
	} {
		text, err := os.ReadFile("../../deploy/" + file)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(text), says) {
			t.Errorf("%s does not say %q", file, says)
		}
	}
}

// TestMessagesOfTroubleshooting: what the page says that one sees is in the sources as it stands there, but for names
// and numbers; the one message that is not ours is the system's.
func TestMessagesOfTroubleshooting(t *testing.T) {
	var sources strings.Builder
	joined := regexp.MustCompile(`"\s*\+\s*"`)
	for _, dir := range []string{"../../daemon", "../../bus", "../../scheduler", "../../chipmodel"} {
		err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			text, err := os.ReadFile(path)
			sources.WriteString(joined.ReplaceAllString(string(text), ""))
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	quoted, seen := regexp.MustCompile("`([^`]+)`"), 0
	varies := regexp.MustCompile(`\.\.\.|\bTASK\b|\bNAME\b|\b\d+s?\b`)
	for _, line := range strings.Split(troubleshooting(t), "\n") {
		cells := strings.Split(line, "|")
		if len(cells) < 3 {
			continue
		}
		for _, m := range quoted.FindAllStringSubmatch(cells[1], -1) {
			says := m[1]
			if strings.Count(says, " ") < 2 || says == "address already in use" ||
				strings.HasPrefix(says, "file:line") || strings.HasPrefix(says, "facet") {
				continue
			}
			seen++
			for _, part := range varies.Split(says, -1) {
				if part = strings.TrimSpace(part); len(part) > 3 && !strings.Contains(sources.String(), part) {
					t.Errorf("troubleshooting.md quotes %q, and no source says %q", says, part)
				}
			}
		}
	}
	if seen < 12 {
		t.Errorf("%d messages were looked for", seen)
	}
}
