package main

import (
	"encoding/base64"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"facetd.example/api/cli"
)

// reportOf is the report of the bench with these tasks.
func reportOf(t *testing.T, tasks string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "review.html")
	r := run(t, []string{"report", "testdata/bench.yaml", "-", "--html", file}, tasks)
	if r.Status != cli.StatusOK {
		t.Fatal(r.Stderr)
	}
	page, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return string(page)
}

// The report is one file: it names nothing outside it, its drawings are in it, and so is what a review asks for.
func TestReport(t *testing.T) {
	tasks, err := os.ReadFile("testdata/bench-tasks.yaml")
	if err != nil {
		t.Fatal(err)
	}
	page := reportOf(t, string(tasks))
	if again := reportOf(t, string(tasks)); again != page {
		t.Error("the same files give another report")
	}
	if out := regexp.MustCompile(`(?:src|href)="([^"#d][^"]*)"|@import|<script|url\(`).FindString(page); out != "" {
		t.Errorf("the report needs something else: %s", out)
	}
	var titles []string
	for _, m := range regexp.MustCompile(`src="data:image/svg&#43;xml;base64,([^"]+)"`).FindAllStringSubmatch(page,
		-1) {
		drawing, err := base64.StdEncoding.DecodeString(strings.ReplaceAll(m[1], "&#43;", "+"))
		if err != nil || !strings.HasPrefix(string(drawing), "<svg") {
			t.Errorf("%v, %.40q", err, drawing)
		}
		titles = append(titles, string(drawing))
	}
	const wiring, sphere, budgets, timetable, explored = 1, 1, 3, 1, 2
	if want := wiring + sphere + budgets + timetable + explored; len(titles) != want {
		t.Errorf("%d drawings, want %d", len(titles), want)
	}
	for _, words := range []string{"4 open points", "The tasks fit; the bus is busy 8.5 %", "select words",
		"converter.noise_volts",
		"Not in the sums", "ring", "ahead", "Worst response", "What fits", "pins together, without converters"} {
		if !strings.Contains(strings.ToLower(page), strings.ToLower(words)) {
			t.Errorf("the report says nothing of %q", words)
		}
	}
}

// What does not fit is said first, with what would.
func TestReportOfTasksThatDoNotFit(t *testing.T) {
	page := reportOf(t, "tasks: [{name: ring, target: {group: ring}, rate_hz: 5000}]")
	for _, words := range []string{"<li>The tasks do not fit: reading ring takes",
		"<strong>The tasks do not fit.</strong>"} {
		if !strings.Contains(page, words) {
			t.Errorf("the report says nothing of %q", words)
		}
	}
	if strings.Contains(page, "What fits") {
		t.Error("the report explores tasks that do not fit")
	}
}
