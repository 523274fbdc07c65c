package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/facetctl/internal/bench"
	"facetd.example/clients/go/facettest"
	"facetd.example/deploy"
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
			Tasks   []bench.Proposal
		}
		if err := json.Unmarshal([]byte(r.Stdout), &got); err != nil || r.Status != 0 {
			t.Fatalf("%s: %v, %s", c.scene, err, r.Stderr)
		}
		if got.Found != (c.light > 0) || got.Found &&
			(math.Abs(got.LightHz-c.light) > 0.2 || got.MainsHz != c.light/2) ||
			got.Samples != 300 || len(got.Tasks) != map[bool]int{true: 1}[got.Found] {
			t.Errorf("%s at %s Hz: %+v", c.scene, c.rate, got)
		}
		if rate, _ := strconv.ParseFloat(c.rate, 64); got.Found {
			p := got.Tasks[0]
			if beat := math.Abs(c.light - rate*math.Round(c.light/rate)); p.Task != "quick" || p.RateHz != rate ||
				math.Abs(p.BeatHz-beat) > 0.2 || math.Abs(c.light/p.StillHz-math.Round(c.light/p.StillHz)) > 0.01 {
				t.Errorf("%s at %s Hz: %+v, want a beat at %v Hz", c.scene, c.rate, p, beat)
			}
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

// TestLeakOfLight: light that leaks onto the memory of a chip is measured as what its class says; where nothing
// leaks, none is found.
func TestLeakOfLight(t *testing.T) {
	leakFA, cellFF := 2.5*math.Pow(2, 3./9), 140. // at 303 K, and not at 300
	for _, perLux := range []float64{0.004, 0} {
		array := strings.Replace(string(deploy.CrawlerArray), "light_leak_fa_per_lux: 0.001",
			fmt.Sprintf("light_leak_fa_per_lux: %g", perLux), 1)
		a := facettest.New(t, facettest.Config{Array: facettest.YAML(array), Tasks: facettest.YAML("tasks:\n" +
			"- name: twice\n  target: {list: {names: [wall-00, wall-05]}}\n  rate_hz: 20\n" +
			"  views: [{name: first}, {name: again}]\n"), Scene: "uniform:0", Listen: "127.0.0.1:0"})
		end := advancing(t, a)
		picture := filepath.Join(t.TempDir(), "leak.svg")
		r := runReading(t, a.Address(), []string{"bench", "leak", "twice", "--count", "25", "--svg", picture,
			"--output",
			"json"}, &lighter{a, []string{"uniform:0", "uniform:500"}})
		end()
		var got struct{ Chips []bench.Leak }
		if err := json.Unmarshal([]byte(r.Stdout), &got); err != nil || r.Status != 0 || len(got.Chips) != 2 {
			t.Fatal(err, r.Stdout, r.Stderr)
		}
		for _, c := range got.Chips {
			covered, light := leakFA/cellFF, perLux*500/cellFF // volts a second
			t.Logf("%g fA/lux: %s covered %.5f, by light %.5f +- %.5f V/s; want %.5f, %.5f", perLux, c.Chip,
				c.Covered.VoltsPerS, c.LightVoltsPerS, c.Sd, covered, light)
			if math.Abs(math.Abs(c.Covered.VoltsPerS)-covered) > 0.1*covered ||
				math.Abs(math.Abs(c.LightVoltsPerS)-light) > 0.1*covered || c.Sure() != (perLux > 0) ||
				(c.StepAfterMs != nil) != (perLux > 0) {
				t.Errorf("%+v", c)
			}
		}
		if drawn, err := os.ReadFile(picture); err != nil || strings.Count(string(drawn), `class="lit"`) != 2 {
			t.Errorf("the picture: %v", err)
		}
	}
}

// lighter is an operator at the keyboard: each time he is asked he changes the light, and presses Enter.
type lighter struct {
	a      *facettest.Array
	lights []string
}

func (o *lighter) Read(p []byte) (int, error) {
	if len(o.lights) == 0 {
		return 0, io.EOF
	}
	o.a.SetScene(o.lights[0])
	o.lights = o.lights[1:]
	return copy(p, "\n"), nil
}
