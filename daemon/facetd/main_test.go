package main

import (
	"bytes"
	"strings"
	"testing"

	"facetd.example/api/cli"
	"facetd.example/api/cli/clitest"
)

// run runs the real command tree in this process.
func run(t *testing.T, args []string, stdin string) clitest.Result {
	t.Helper()
	var stdout, stderr bytes.Buffer
	status := cli.Execute(t.Context(), newRoot(), args, strings.NewReader(stdin), &stdout, &stderr)
	return clitest.Result{Stdout: stdout.String(), Stderr: stderr.String(), Status: status}
}

func TestScripts(t *testing.T) { clitest.Scripts(t, "testdata/*.script", run) }

func TestEveryCommandHasHelpWithAnExample(t *testing.T) { clitest.Help(t, newRoot()) }

// The built-in example is in order and its tasks fit.
func TestDemo(t *testing.T) {
	for _, args := range [][]string{{"check", "demo"}, {"plan", "demo", "demo"}} {
		if r := run(t, args, ""); r.Status != cli.StatusOK {
			t.Errorf("facetd %s: %s", strings.Join(args, " "), r.Stderr)
		}
	}
}
