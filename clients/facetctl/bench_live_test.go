package main

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facettest"
)

// quickTask reads a few pixels of one chip often.
const quickTask = `tasks:
- name: quick
  target: {list: {names: [wall-00]}}
  rate_hz: 430
  views: [{name: v, window: {row: 20, column: 20, rows: 4, columns: 4}}]
`

// advancing lets the bus time of an array go on until the test is over.
func advancing(t *testing.T, a *facettest.Array) (end func()) {
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for ctx.Err() == nil {
			a.Advance(50 * time.Millisecond)
		}
	}()
	return func() { cancel(); <-ended }
}

// TestFlickerOfALamp: lamps on mains over an array of a real daemon are measured as what they are, also at a rate at
// which they are seen at another frequency, and light that stays has none.
func TestFlickerOfALamp(t *testing.T) {
	for _, c := range []struct {
		scene, rate string
		light       float64
	}{
		{"uniform:200 | flicker:mains=50,depth=0.2", "430", 100},
		{"uniform:200 | flicker:mains=60,depth=0.1", "90", 120},
		{"uniform:200", "430", 0},
	} {
		a := facettest.New(t, facettest.Config{Tasks: facettest.YAML(strings.ReplaceAll(quickTask, "430", c.rate)),
			Scene: c.scene, Listen: "127.0.0.1:0"})
		end := advancing(t, a)
		picture := filepath.Join(t.TempDir(), "spectrum.svg")
		r := runAgainst(t, a.Address(), []string{"bench", "flicker", "quick", "--count", "300", "--svg", picture,
			"--output", "json"}, "")
		end()
		var got struct {
			Found   bool
			LightHz float64 `json:"light_hz"`
			MainsHz float64 `json:"mains_hz"`
			Samples int
		}
		if err := json.Unmarshal([]byte(r.Stdout), &got); err != nil || r.Status != 0 {
			t.Fatalf("%s: %v, %s", c.scene, err, r.Stderr)
		}
		if got.Found != (c.light > 0) || got.Found &&
			(math.Abs(got.LightHz-c.light) > 0.2 || got.MainsHz != c.light/2) ||
			got.Samples != 300 {
			t.Errorf("%s at %s Hz: %+v", c.scene, c.rate, got)
		}
		if drawn, err := os.ReadFile(picture); err != nil || !strings.Contains(string(drawn), "</svg>") {
			t.Errorf("%s: no picture: %v", c.scene, err)
		}
	}
}

// TestOrientationOfALiveArray: a body that turns to the right lets what the chips at the bow see move to the left, as
// the array file has it, and one that turns down lets it rise. One move alone leaves open whether they are mirrored.
func TestOrientationOfALiveArray(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.YAML("tasks:\n- name: bow\n  target: {group: bow}\n" +
		"  rate_hz: 50\n  views: [{name: v}]\n"), Scene: "demo:high=800", Listen: "127.0.0.1:0"})
	end := advancing(t, a)
	defer end()
	for _, c := range []struct {
		moves   string
		turns   []*facetdv1.Velocity
		finding string
	}{
		{"left", []*facetdv1.Velocity{{YawDegPerS: -15}}, "unclear"},
		{"left,up", []*facetdv1.Velocity{{YawDegPerS: -15}, {PitchDegPerS: -15}}, "right"},
	} {
		moves := len(c.turns)
		r := runReading(t, a.Address(), []string{"bench", "orientation", "bow", "--moves", c.moves, "--count", "20",
			"--output", "json"}, &turner{a, c.turns})
		var got struct {
			Chips []struct {
				Chip, Finding, Note string
				Moves               int
				OffDeg              float64 `json:"off_deg"`
			}
		}
		if err := json.Unmarshal([]byte(r.Stdout), &got); err != nil || r.Status != 0 || len(got.Chips) != 2 {
			t.Fatal(err, r.Stdout, r.Stderr)
		}
		for _, chip := range got.Chips {
			if chip.Finding != c.finding || chip.Moves != moves || chip.OffDeg > 25 ||
				(moves == 1) != strings.Contains(chip.Note, "mirrored") {
				t.Errorf("%s: %+v", c.moves, chip)
			}
		}
	}
}
