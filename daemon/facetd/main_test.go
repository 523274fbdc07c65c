package main

import (
	"bytes"
	"encoding/xml"
	"io"
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
	board := "../../deploy/examples/boards/crawler-hub.yaml"
	for _, args := range [][]string{{"check", "demo"}, {"check", "demo", "--board", board}, {"plan", "demo", "demo"},
		{"version"}} {
		if r := run(t, args, ""); r.Status != cli.StatusOK {
			t.Errorf("facetd %s: %s", strings.Join(args, " "), r.Stderr)
		}
	}
}

// Drawings are XML with every chip's name in it.
func TestDrawings(t *testing.T) {
	for _, args := range [][]string{
		{"map", "testdata/bench.yaml", "--svg", "-"},
		{"plan", "testdata/bench.yaml", "testdata/bench-tasks.yaml", "--svg", "-"},
	} {
		r := run(t, args, "")
		if r.Status != cli.StatusOK {
			t.Fatalf("facetd %s: %s", strings.Join(args, " "), r.Stderr)
		}
		names := 0
		for dec := xml.NewDecoder(strings.NewReader(r.Stdout)); ; {
			token, err := dec.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("facetd %s: %v", strings.Join(args, " "), err)
			}
			if text, is := token.(xml.CharData); is && (string(text) == "ahead" || string(text) == "m00") {
				names++
			}
		}
		if names == 0 {
			t.Errorf("facetd %s: no name in the drawing", strings.Join(args, " "))
		}
	}
}
