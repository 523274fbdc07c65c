package main

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"io"
	"math"
	"os"
	"strings"
	"testing"

	"facetd.example/api/cli"
	"facetd.example/api/cli/clitest"
	"facetd.example/deploy"
)

// run runs the real command tree in this process.
func run(t *testing.T, args []string, stdin string) clitest.Result {
	t.Helper()
	var stdout clitest.Screen
	var stderr bytes.Buffer
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

// The map lists the pins that connect an array to the rest of a robot with what they serve.
func TestMapOfARobot(t *testing.T) {
	array := string(deploy.CrawlerArray) + `
  mark: {pin: C14, tasks: [wall, bow]}
  inputs:
    - {name: wheel, pin: D2, edge: both}
    - {name: seen, pin: D3, triggers: look}
`
	r := run(t, []string{"map", "-", "--svg", "-"}, array)
	for _, want := range []string{"C14 to mark", "D2 to input wheel", "D3 to input seen, triggers look"} {
		if n := strings.Count(r.Stdout, "<title>"+want+"</title>"); n != 1 || r.Status != cli.StatusOK {
			t.Errorf("%q is there %d times: %s", want, n, r.Stderr)
		}
	}
}

// Drawings are XML with every chip's name in it.
func TestDrawings(t *testing.T) {
	for _, args := range [][]string{
		{"map", "testdata/bench.yaml", "--svg", "-"},
		{"plan", "testdata/bench.yaml", "testdata/bench-tasks.yaml", "--svg", "-"},
		{"coverage", "testdata/bench.yaml", "--directions", "1000", "--svg", "-"},
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

// What coverage prints as JSON is what it measured: of a wall-eye of the demo the solid angle of a square field of 34
// degrees with a little barrel distortion, 0.34292 sr (the edge of its picture, in triangles, as the room's own tests
// reckon it).
func TestCoverageAsJSON(t *testing.T) {
	r := run(t, []string{"coverage", "demo", "--output", "json"}, "")
	var got struct {
		Directions int
		Chips      []struct {
			Chip string
			Sr   float64
		}
	}
	if err := json.Unmarshal([]byte(r.Stdout), &got); err != nil || r.Status != cli.StatusOK {
		t.Fatal(err, r.Stderr)
	}
	if len(got.Chips) != 19 || got.Directions < 99_000 || got.Directions > 101_000 ||
		math.Abs(got.Chips[0].Sr/0.34292-1) > 0.005 {
		t.Errorf("%d directions, chips %+v", got.Directions, got.Chips)
	}
}

// The table of the guide is what the command prints; what it prints as JSON is as much.
func TestHardwareOfTheGuide(t *testing.T) {
	guide, err := os.ReadFile("../../deploy/guide/hardware.md")
	if err != nil {
		t.Fatal(err)
	}
	table := run(t, []string{"hardware", "demo", "demo", "--markdown"}, "")
	if table.Status != cli.StatusOK || !strings.Contains(string(guide), "\n"+table.Stdout+"\n") {
		t.Errorf("deploy/guide/hardware.md has not the table of facetd hardware demo demo --markdown:\n%s%s",
			table.Stdout,
			table.Stderr)
	}
	measured := run(t, []string{"hardware", "demo", "demo", "--measure", "--output", "json"}, "")
	var got struct {
		PinCount int `json:"pin_count"`
		Work     []struct {
			Use, Basis string
			NsPerPixel float64 `json:"ns_per_pixel"`
		}
	}
	if err := json.Unmarshal([]byte(measured.Stdout), &got); err != nil || measured.Status != cli.StatusOK {
		t.Fatal(err, measured.Stderr)
	}
	// Pairs by themselves take some 10 ns a pixel, and with the body's motion ten times that.
	if got.PinCount != 38 || len(got.Work) != 2 || got.Work[1].Basis != "measured" || !(got.Work[1].NsPerPixel > 25) {
		t.Errorf("%+v", got)
	}
}
