package monitoring

import (
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"facetd.example/api/peertest"
)

const (
	rulesFile  = "../../../deploy/prometheus/facetd-rules.yml"
	testsFile  = "../../../deploy/prometheus/facetd-rules_test.yml"
	configFile = "../../../deploy/prometheus/prometheus.yml"
	guideFile  = "../../../deploy/WATCHING.md"
)

type rule struct {
	Record, Alert, Expr string
	Labels, Annotations map[string]string
}

func read[T any](t *testing.T, file string) T {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var out T
	if err := yaml.Unmarshal(data, &out); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return out
}

func rules(t *testing.T) []rule {
	t.Helper()
	file := read[struct{ Groups []struct{ Rules []rule } }](t, rulesFile)
	var out []rule
	for _, g := range file.Groups {
		out = append(out, g.Rules...)
	}
	if len(out) == 0 {
		t.Fatal("there are no rules")
	}
	return out
}

// passed is what promtool says of tests that pass, each in a file of its own.
var passed = regexp.MustCompile(`Unit Testing:.*\n\s*SUCCESS\s*`)

// TestPromtool: promtool takes the configuration and the rules, and every rule does what its
// unit tests say. In an ordinary run each of them evaluates the rules alone that it is about,
// and not all rules every 15 seconds of its hour.
func TestPromtool(t *testing.T) {
	tool := peertest.Program(t, "promtool")
	tests := []string{testsFile}
	if !peertest.All() {
		tests = apart(t)
	}
	for _, args := range [][]string{{"check", "config", configFile}, {"check", "rules", rulesFile},
		append([]string{"test", "rules"}, tests...)} {
		if out, err := exec.Command(tool, args...).CombinedOutput(); err != nil {
			t.Errorf("promtool %s %s: %v\n%s", args[0], args[1], err, passed.ReplaceAll(out, nil))
		}
	}
}

// What rules name exists.
func TestNames(t *testing.T) {
	all := rules(t)
	var recorded []string
	for _, r := range all {
		if r.Record != "" {
			recorded = append(recorded, r.Record)
		}
	}
	names, err := NewNames(recorded...)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range all {
		named, wrong := names.Check(r.Expr)
		if named == 0 && r.Alert != watchdog {
			t.Errorf("%s%s uses no metric", r.Record, r.Alert)
		}
		for _, err := range wrong {
			t.Errorf("%s%s: %v", r.Record, r.Alert, err)
		}
	}
}

// The guide and its drawing, and what the alerts say to do, name metrics that exist.
func TestNamesInWords(t *testing.T) {
	names, err := NewNames()
	if err != nil {
		t.Fatal(err)
	}
	metric := regexp.MustCompile(`facetd_[a-z_]+`)
	for _, file := range []string{guideFile, "../../../deploy/images/watching.svg", rulesFile} {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		text := regexp.MustCompile(`[a-z_]+:facetd_[a-z_0-9:]+`).ReplaceAllString(string(data), "") // recorded series
		found := metric.FindAllString(text, -1)
		if len(found) == 0 && file != guideFile {
			t.Errorf("%s names no metric", file)
		}
		for _, name := range found {
			_, wrong := names.Check(name)
			for _, err := range wrong {
				t.Errorf("%s: %v", file, err)
			}
		}
	}
}

const watchdog = "FacetdWatchdog"

// Every alert says how bad it is, what is the matter, with where and how much, and what
// to do.
func TestAlertsSayEnough(t *testing.T) {
	guide, err := os.ReadFile(guideFile)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, r := range rules(t) {
		if r.Alert == "" {
			continue
		}
		if seen[r.Alert] {
			t.Errorf("%s is there twice", r.Alert)
		}
		seen[r.Alert] = true
		// What always fires is no alarm: it shows that alarms arrive.
		if r.Alert == watchdog != (r.Labels["severity"] == "none") ||
			!slices.Contains([]string{"critical", "warning", "info", "none"}, r.Labels["severity"]) {
			t.Errorf("%s: severity %q", r.Alert, r.Labels["severity"])
		}
		for _, a := range []string{"summary", "description", "action"} {
			if len(r.Annotations[a]) < 20 {
				t.Errorf("%s: %s is %q", r.Alert, a, r.Annotations[a])
			}
		}
		if !strings.Contains(string(guide), "\n| `"+r.Alert+"` | "+r.Labels["severity"]+" |") {
			t.Errorf("WATCHING.md has no line about %s with its severity", r.Alert)
		}
	}
	for _, name := range regexp.MustCompile("`(Facetd[A-Z][A-Za-z]+)`").FindAllStringSubmatch(string(guide), -1) {
		if !seen[name[1]] {
			t.Errorf("WATCHING.md tells of %s, which is no alert", name[1])
		}
	}
}

// Every alert is seen to fire and to be quiet, and every recording rule evaluated.
func TestEveryRuleHasAUnitTest(t *testing.T) {
	file := read[struct {
		Tests []struct {
			Alerts []struct {
				Name string `yaml:"alertname"`
				Want []any  `yaml:"exp_alerts"`
			} `yaml:"alert_rule_test"`
			Exprs []struct {
				Expr string
				Want []any `yaml:"exp_samples"`
			} `yaml:"promql_expr_test"`
		}
	}](t, testsFile)
	fires, quiet, evaluated := map[string]bool{}, map[string]bool{}, ""
	for _, test := range file.Tests {
		for _, a := range test.Alerts {
			if len(a.Want) > 0 {
				fires[a.Name] = true
			} else {
				quiet[a.Name] = true
			}
		}
		for _, e := range test.Exprs {
			if len(e.Want) > 0 {
				evaluated += e.Expr + "\n"
			}
		}
	}
	for _, r := range rules(t) {
		if r.Alert != "" && (!fires[r.Alert] || quiet[r.Alert] == (r.Alert == watchdog)) {
			t.Errorf("%s: a test that fires: %v, one that is quiet: %v", r.Alert, fires[r.Alert], quiet[r.Alert])
		}
		if r.Record != "" && !strings.Contains(evaluated, r.Record) {
			t.Errorf("%s has no test", r.Record)
		}
	}
}
