package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// oddRun is a run whose texts would break a careless page.
func oddRun() *facetdv1.BringupRun {
	low, high := 1.0, 4300.0
	return &facetdv1.BringupRun{
		Id: "20260102-030405", Array: `bench <script>alert("x")</script>`,
		ArrayDigest: strings.Repeat("0123456789abcdef", 4), Version: "1.2.3",
		StartTime: timestamppb.New(time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)), Finished: true,
		Verdict: facetdv1.Verdict_VERDICT_FAIL,
		Steps: []facetdv1.BringupStep{facetdv1.BringupStep_BRINGUP_STEP_SETTLING,
			facetdv1.BringupStep_BRINGUP_STEP_TRIM},
		Results: []*facetdv1.BringupResult{
			{
				Step: facetdv1.BringupStep_BRINGUP_STEP_SETTLING, Verdict: facetdv1.Verdict_VERDICT_FAIL,
				Summary: "m0 is <slow>",
				Measurements: []*facetdv1.BringupMeasurement{
					{Subject: "m0", Quantity: "settling to half a step", Value: 6762, Unit: "ns", High: &high,
						Verdict: facetdv1.Verdict_VERDICT_FAIL, Note: "slower than described"},
					{Subject: "m1", Quantity: "contrast", Value: 80, Unit: "codes", Low: &low,
						Verdict: facetdv1.Verdict_VERDICT_PASS},
				},
				Pictures: []*facetdv1.BringupPicture{
					{Title: `a "picture"`, MediaType: "image/svg+xml", Data: []byte("<svg/>")},
					{Title: "not one", MediaType: "text/html", Data: []byte("<b>")},
				},
				Actions: []string{"Look at\nthe joint."},
				Proposals: []*facetdv1.BringupProposal{{Path: "classes[0].readout.settle", Value: "6.77us",
					Reason: "measured"}},
			},
			{Step: facetdv1.BringupStep_BRINGUP_STEP_TRIM, Verdict: facetdv1.Verdict_VERDICT_SKIPPED,
				Summary: "there are none"},
		},
		Chips: []*facetdv1.BringupChip{{Chip: "m0", SettleNs: new(int64(6762))},
			{Chip: "m1", Excluded: "it never drives its lane"}},
		Answers: []*facetdv1.BringupAnswer{{Question: &facetdv1.BringupQuestion{Number: 1,
			Step: facetdv1.BringupStep_BRINGUP_STEP_SETTLING, Text: "Stripes?"}, Proceed: true, Note: "<i>yes</i>"}},
		Patch: "--- a/x\n+++ b/x\n@@ -1 +1 @@\n-a: {b: 1}\n+a: {b: 2}\n",
	}
}

// TestBringupPage: names and notes cannot break out of the page, it needs nothing else,
// pictures are images whatever they say of themselves, and verdicts are not told by
// colour alone.
func TestBringupPage(t *testing.T) {
	page, err := bringupHTML(oddRun())
	if err != nil {
		t.Fatal(err)
	}
	text := string(page)
	for _, never := range []string{"<script", "<i>yes", "text/html", "ZgotmplZ", "http://", "https://", "<no value>"} {
		if strings.Contains(text, never) {
			t.Errorf("the page has %q", never)
		}
	}
	for _, want := range []string{
		"&lt;script&gt;", "✗ fail", "– skipped", "6.762 us", "at most 4.3 us", "at least 1", "data:image/png;base64,",
		"classes[0].readout.settle",
		`<span class="plus">&#43;a: {b: 2}</span>`, "6.762 µs", "it never drives its lane", "electrostatic",
		"prefers-color-scheme: dark",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

// TestBringupText: what is wrong is shown in full, what is right is not.
func TestBringupText(t *testing.T) {
	var b bytes.Buffer
	for _, r := range oddRun().GetResults() {
		writeBringupResult(&b, r)
	}
	for _, want := range []string{"settling    fail     m0 is <slow>", "at most 4.3 us",
		"    > Look at\n      the joint.", "now not given", "trim        skipped  there are none"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("%q is not said:\n%s", want, b.String())
		}
	}
	if strings.Contains(b.String(), "contrast") {
		t.Errorf("what passed is reported:\n%s", b.String())
	}
}

// TestBringupFiles: the JSON report is the message again; a run without proposals
// writes no patch.
func TestBringupFiles(t *testing.T) {
	prefix := filepath.Join(t.TempDir(), "first")
	run := oddRun()
	if err := writeBringupReports(new(bytes.Buffer), run, prefix); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(prefix + ".json")
	var again facetdv1.BringupRun
	if err == nil {
		err = protojson.Unmarshal(data, &again)
	}
	if err != nil || again.GetPatch() != run.GetPatch() || len(again.GetResults()) != 2 {
		t.Errorf("%v: %s", err, data)
	}
	if patch, err := os.ReadFile(prefix + ".patch"); err != nil || string(patch) != run.GetPatch() {
		t.Errorf("%v: %s", err, patch)
	}
	run.Patch, prefix = "", prefix+"-2"
	if err := writeBringupReports(new(bytes.Buffer), run, prefix); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(prefix + ".patch"); err == nil {
		t.Error("a patch of nothing was written")
	}
}

// TestVerdictSoFar: a run that was cut off is never listed as passed.
func TestVerdictSoFar(t *testing.T) {
	for want, run := range map[string]*facetdv1.BringupRun{
		"pass":                      {Finished: true, Verdict: facetdv1.Verdict_VERDICT_PASS},
		"not finished, pass so far": {Verdict: facetdv1.Verdict_VERDICT_PASS},
		"not finished":              {},
	} {
		if got := soFar(run); got != want {
			t.Errorf("%v: %q, want %q", run, got, want)
		}
	}
}
