package monitoring

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// told are the thresholds that WATCHING.md tells of an alert, with what says the same in its rule; of what no rule has,
// the file of the daemon and what stands there.
var told = []struct{ alert, words, rule, file string }{
	{"FacetdRestarting", "three times or more in a quarter of an hour", "[15m]) > 2", ""},
	{"FacetdFault", "Five segments", "faultAfter = 5", "../../dispatch/runner.go"},
	{"FacetdRuleViolated", "One of the ten", "increase(facetd_rule_violations_total[1h]) > 0", ""},
	{"FacetdStaleFrames", "for a second and five of its periods",
		"facetd_task_frame_age_seconds > 1 and facetd_task_frame_age_seconds * facetd_task_planned_rate_hertz > 5", ""},
	{"FacetdDeadlinesMissed", "More than one job in a hundred", ":ratio_rate5m > 0.01", ""},
	{"FacetdDeadlinesMissed", "for two minutes", "for 2m", ""},
	{"FacetdManyDeadlinesMissed", "More than one job in ten", ":ratio_rate5m > 0.1", ""},
	{"FacetdRateBelowPlan", "by more than 5 %", "achieved_of_planned < 0.95", ""},
	{"FacetdRateAboveRequest", "by more than a tenth", "facetd_task_requested_rate_hertz > 1.1", ""},
	{"FacetdResponseAbovePlan", "by more than 1 ms", "planned_response_seconds > 0.001", ""},
	{"FacetdBusNearlyFull", "More than 90 %", "busy:ratio_rate5m > 0.9", ""},
	{"FacetdBusLags", "more than 20 ms", "facetd_host_time_uncertainty_seconds > 0.02", ""},
	{"FacetdHostBehind", "`max_lag` (100 ms)", "| `max_lag` | duration | `100ms` |", "../../../deploy/CONFIG.md"},
	{"FacetdDeviceLinkPoor", "More than 1 %", "> 0.01 *", ""},
	{"FacetdDeviceLinkPoor", "more than 50", "> 50 and", ""},
	{"FacetdDeviceSlackLow", "less than 0.2 ms", "least_slack_seconds < 0.0002", ""},
	{"FacetdDeviceClock", "more than 5 ms", "uncertainty_seconds > 0.005", ""},
	{"FacetdDeviceClock", "more than 200 ppm", "drift_ratio) > 0.0002", ""},
	{"FacetdRecordingDiskFills", "Within an hour", ":rate5m > 0) < 3600", ""},
	{"FacetdAccessRefused", "More than ten calls, requests or connections", "facetd_access_refused_total[5m]) > 10",
		""},
	{"FacetdCorrectionMapTooOld", "more than 30 days", "> 30 * 86400", ""},
	{"FacetdTasksNotStored", "retries every 5 s", "retryPeriod = 5 * time.Second", "../../taskstore/taskstore.go"},
}

// numbers are digits, and the words in which WATCHING.md writes a number.
var numbers = regexp.MustCompile(`\d|(?i)\b(two|three|four|five|ten|tenth|hundred|quarter|half|an hour)\b`)

// TestThresholdsAreThoseOfTheRules: what WATCHING.md says of when an alert fires is what its rule has, and no number
// stands there that is not compared.
func TestThresholdsAreThoseOfTheRules(t *testing.T) {
	guide, err := os.ReadFile(guideFile)
	if err != nil {
		t.Fatal(err)
	}
	all := read[struct {
		Groups []struct {
			Rules []struct{ Alert, Expr, For string }
		}
	}](t, rulesFile)
	rule := map[string]string{}
	for _, g := range all.Groups {
		for _, r := range g.Rules {
			rule[r.Alert] = strings.Join(strings.Fields(r.Expr), " ") + " for " + r.For
		}
	}
	left := map[string]string{} // what no words of ours have been found in
	for _, line := range strings.Split(string(guide), "\n") {
		if cells := strings.Split(line, "|"); len(cells) > 4 && strings.HasPrefix(line, "| `Facetd") {
			left[strings.Trim(cells[1], " `")] = strings.Join(cells[3:], "|")
		}
	}
	for _, c := range told {
		if !strings.Contains(left[c.alert], c.words) {
			t.Errorf("%s: WATCHING.md does not say %q any more: %s", c.alert, c.words, left[c.alert])
		}
		left[c.alert] = strings.Replace(left[c.alert], c.words, "", 1)
		where := rule[c.alert]
		if c.file != "" {
			text, err := os.ReadFile(c.file)
			if err != nil {
				t.Fatal(err)
			}
			where = string(text)
		}
		if !strings.Contains(where, c.rule) {
			t.Errorf("%s: WATCHING.md says %q, and %q is not in %.300s", c.alert, c.words, c.rule, where)
		}
	}
	// Numbers that are no threshold: of a rule, and of minutes in which calls are counted.
	plain := []string{"Rule 1: two chips", "in five minutes", "bus rules"}
	for alert, text := range left {
		for _, p := range plain {
			text = strings.Replace(text, p, "", 1)
		}
		if n := numbers.FindString(text); n != "" && !slices.Contains(plain, n) {
			t.Errorf("%s: WATCHING.md says %q, which is compared with nothing: %s", alert, n, text)
		}
	}
}
