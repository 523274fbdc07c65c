package main

import (
	"encoding/json"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facettest"
)

const turningTask = `tasks:
- name: around
  target: {list: {names: [wall-00, wall-01, wall-04]}}
  rate_hz: 15
  views: [{name: v, binning: {rows: 2, columns: 2}}]
`

// turner is an operator at the keyboard: each time he is asked he turns the body, and presses Enter.
type turner struct {
	a     *facettest.Array
	turns []*facetdv1.Velocity
}

func (o *turner) Read(p []byte) (int, error) {
	if len(o.turns) == 0 {
		return 0, io.EOF
	}
	o.a.SetPose(&facetdv1.Pose{}, o.turns[0])
	o.turns = o.turns[1:]
	return copy(p, "\n"), nil
}

// TestTurnsOfALiveArray: an array of a real daemon that is mounted as its file says is found to be, from simulated
// pixels through correction maps; and turned slower than said, its fields of view would have to be narrower.
func TestTurnsOfALiveArray(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.YAML(turningTask), Scene: "demo:low=1,high=800",
		Listen: "127.0.0.1:0", Correct: []string{"around"}})
	end := advancing(t, a)
	defer end()
	turns := func(rate float64) *turner {
		return &turner{a, []*facetdv1.Velocity{{YawDegPerS: rate}, {PitchDegPerS: rate}}}
	}
	picture := filepath.Join(t.TempDir(), "fields.svg")
	r := runReading(t, a.Address(), []string{"calibrate", "mounts", "around", "--count", "24", "--svg", picture,
		"--output", "json"}, turns(30))
	var mounts struct{ Chips []mountFound }
	if err := json.Unmarshal([]byte(r.Stdout), &mounts); err != nil || r.Status != 0 || len(mounts.Chips) != 3 {
		t.Fatal(err, r.Stdout, r.Stderr)
	}
	for _, c := range mounts.Chips {
		t.Logf("%s: off by %.2f, sd %.2f, chi %.2f", c.Chip, c.OffDeg, c.OffSdDeg, c.ChiSquared)
		if c.Why != "" || c.OffDeg > 1.5 || c.OffDeg > 5*c.OffSdDeg || c.Changed || c.Line != "" || c.Pairs < 40 {
			t.Errorf("%+v", c)
		}
	}
	if drawn, err := os.ReadFile(picture); err != nil || strings.Count(string(drawn), `class="is"`) != 3 {
		t.Errorf("the picture: %v\n%s", err, drawn)
	}
	r = runReading(t, a.Address(), []string{"bench", "axis", "around", "--count", "24", "--turns", "yaw:30,pitch:30",
		"--output", "json"}, turns(27))
	var fields struct {
		Chips []struct {
			Chip       string
			Scale      float64
			Horizontal float64 `json:"horizontal_deg"`
			Measured   float64 `json:"measured_horizontal_deg"`
		}
		Overlaps []struct {
			Chips     []string
			Described float64 `json:"described_deg"`
			Measured  float64 `json:"measured_deg"`
		}
	}
	if err := json.Unmarshal([]byte(r.Stdout), &fields); err != nil || r.Status != 0 || len(fields.Chips) != 3 {
		t.Fatal(err, r.Stdout, r.Stderr)
	}
	for _, c := range fields.Chips {
		want := 360 / math.Pi * math.Atan(math.Tan(17*math.Pi/180)/0.9)
		if math.Abs(c.Scale-0.9) > 0.015 || math.Abs(c.Measured-want) > 0.6 || c.Horizontal != 34 {
			t.Errorf("%+v, want a scale of 0.9 and %.2f degrees", c, want)
		}
	}
	// wall-00 and wall-01 look 30 degrees apart.
	if o := fields.Overlaps; len(o) == 0 || o[0].Chips[1] != "wall-01" || math.Abs(o[0].Described-4) > 1e-9 ||
		math.Abs(o[0].Measured-o[0].Described-3.4) > 1.5 {
		t.Errorf("overlaps %+v", o)
	}
	for _, args := range [][]string{{"--turns", "yaw"}, {"--turns", "yaw,spin"}, {"--turns", "yaw:0,pitch:1"},
		{"--count", "1"}} {
		r := runAgainst(t, a.Address(), append([]string{"calibrate", "mounts", "around"}, args...), "\n\n")
		if r.Status != 2 {
			t.Errorf("%v: status %d, %s", args, r.Status, r.Stderr)
		}
	}
	r = runReading(t, a.Address(), []string{"calibrate", "mounts", "around", "--turns", "yaw,yaw:9", "--count", "4"},
		turns(30))
	if r.Status != 1 || !strings.Contains(r.Stderr, "a second one about another is needed") {
		t.Errorf("two turns about one axis: %d, %s", r.Status, r.Stderr)
	}
}
