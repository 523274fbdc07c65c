package main

import (
	"os/exec"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"facetd.example/api/cli"
	"facetd.example/api/peertest"
)

// proposed is what a shell is offered after some words, and what it is to do with it.
func proposed(t *testing.T, args ...string) (words []string, directive string) {
	t.Helper()
	r := run(t, append([]string{cobra.ShellCompRequestCmd}, args...), "")
	lines := strings.Split(strings.TrimSpace(r.Stdout), "\n")
	if r.Status != cli.StatusOK || !strings.HasPrefix(lines[len(lines)-1], ":") {
		t.Fatalf("%v: status %d, %q %q", args, r.Status, r.Stdout, r.Stderr)
	}
	for _, line := range lines[:len(lines)-1] {
		word, _, _ := strings.Cut(line, "\t")
		words = append(words, word)
	}
	return words, lines[len(lines)-1]
}

func TestCompletion(t *testing.T) {
	const noFiles, endings, folders = ":4", ":8", ":16"
	for _, test := range []struct{ typed, words, directive string }{
		{"--pace ", "realtime free", noFiles},
		{"serve --pace f", "free", noFiles},
		{"serve --log-level ", "debug info warn error", noFiles},
		{"serve --log-format ", "json console", noFiles},
		{"serve --bus r", "replay:", noFiles},
		{"serve --data ", "", folders},
		{"serve --config ", "yaml yml", endings},
		{"serve --seed ", "", noFiles},
		{"serve ", "", noFiles},
		{"version --output ", "human json csv", noFiles},
		{"admit --policy ", "edf fixed", noFiles},
		{"check ", "yaml yml", endings},
		{"plan a.yaml ", "yaml yml", endings},
		{"plan a.yaml b.yaml ", "", noFiles},
		{"recover ", "partial mcap", endings},
	} {
		words, directive := proposed(t, strings.Split(test.typed, " ")...)
		if got := strings.Join(words, " "); got != test.words || directive != test.directive {
			t.Errorf("%q: %q %s, want %q %s", test.typed, got, directive, test.words, test.directive)
		}
	}
}

// A flag whose help lists its words as "a or b" proposes words.
func TestEnumFlagsPropose(t *testing.T) {
	root := newRoot()
	n := 0
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		c.LocalFlags().VisitAll(func(f *pflag.Flag) {
			if f.Value.Type() != "string" || !strings.Contains(f.Usage, " or ") ||
				strings.Contains(strings.ToLower(f.Usage), "file") ||
				strings.ContainsAny(f.Usage, ";") || f.Name == "tick" || f.Name == "input" {
				return
			}
			n++
			if _, has := c.GetFlagCompletionFunc(f.Name); !has {
				t.Errorf("%s --%s (%s) proposes nothing", c.CommandPath(), f.Name, f.Usage)
			}
		})
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(root)
	if n < 8 {
		t.Errorf("%d such flags were found", n)
	}
}

// The scripts for shells are there, and bash and its kin read them.
func TestCompletionScripts(t *testing.T) {
	for _, shell := range []string{"bash", "zsh", "fish"} {
		r := run(t, []string{"completion", shell}, "")
		if r.Status != cli.StatusOK || !strings.Contains(r.Stdout, cobra.ShellCompRequestCmd) {
			t.Errorf("%s: status %d, %.100q", shell, r.Status, r.Stdout)
		}
		if shell != "bash" {
			continue
		}
		cmd := exec.Command(peertest.Program(t, shell), "-n")
		cmd.Stdin = strings.NewReader(r.Stdout)
		if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
			t.Errorf("%s: %v %s", shell, err, out)
		}
	}
}
