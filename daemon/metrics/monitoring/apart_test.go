package monitoring

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
)

// unitTest is one of promtool's, as it stands, and what it says of rules.
type unitTest struct {
	whole  yaml.Node
	alerts []string // by name
	exprs  []string
}

func (u *unitTest) UnmarshalYAML(n *yaml.Node) error {
	var of struct {
		Alerts []struct{ Alertname string } `yaml:"alert_rule_test"`
		Exprs  []struct{ Expr string }      `yaml:"promql_expr_test"`
	}
	if err := n.Decode(&of); err != nil {
		return err
	}
	u.whole = *n
	for _, a := range of.Alerts {
		u.alerts = append(u.alerts, a.Alertname)
	}
	for _, e := range of.Exprs {
		u.exprs = append(u.exprs, e.Expr)
	}
	return nil
}

// kept is a rule as it stands, and what others know it by.
type kept struct {
	whole yaml.Node
	rule  rule
}

func (k *kept) UnmarshalYAML(n *yaml.Node) error {
	k.whole = *n
	return n.Decode(&k.rule)
}

// wanted are the rules that a test is about: its alerts and the recorded series of its
// expressions, with the recorded series that those use.
func wanted(u unitTest, rules []kept) map[int]bool {
	in := map[int]bool{}
	exprs := append([]string{}, u.exprs...)
	add := func(i int) {
		if !in[i] {
			in[i] = true
			exprs = append(exprs, rules[i].rule.Expr)
		}
	}
	for i, r := range rules {
		for _, a := range u.alerts {
			if r.rule.Alert == a {
				add(i)
			}
		}
	}
	for n := 0; n < len(exprs); n++ {
		for i, r := range rules {
			if r.rule.Record != "" && strings.Contains(exprs[n], r.rule.Record) {
				add(i)
			}
		}
	}
	return in
}

// apart writes every unit test into a file of its own, beside one of the rules that it is
// about, in the order and the groups of the rules' file, and returns the tests' files.
func apart(t *testing.T) (files []string) {
	t.Helper()
	dir := t.TempDir()
	all := read[struct {
		Interval string     `yaml:"evaluation_interval"`
		Tests    []unitTest `yaml:"tests"`
	}](t, testsFile)
	groups := read[struct {
		Groups []struct {
			Name  string
			Rules []kept
		}
	}](t, rulesFile).Groups
	write := func(name string, content any) {
		data, err := yaml.Marshal(content)
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, name), data, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	var rules []kept
	for _, g := range groups {
		rules = append(rules, g.Rules...)
	}
	for n, u := range all.Tests {
		in := wanted(u, rules)
		if len(in) == 0 {
			t.Errorf("test %d is about no rule", n)
		}
		var some []map[string]any
		at := 0
		for _, g := range groups {
			var of []*yaml.Node
			for i := range g.Rules {
				if in[at] {
					of = append(of, &g.Rules[i].whole)
				}
				at++
			}
			if len(of) > 0 {
				some = append(some, map[string]any{"name": g.Name, "rules": of})
			}
		}
		write(fmt.Sprintf("rules-%d.yml", n), map[string]any{"groups": some})
		name := fmt.Sprintf("test-%d.yml", n)
		write(name, map[string]any{"rule_files": []string{fmt.Sprintf("rules-%d.yml", n)},
			"evaluation_interval": all.Interval, "tests": []*yaml.Node{&u.whole}})
		files = append(files, filepath.Join(dir, name))
	}
	return files
}
