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
	"facetd.example/clients/facetctl/internal/bench"
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

// TestMotionOfALiveArray: what is made of estimates of motion, of an array of a real daemon.
func TestMotionOfALiveArray(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.YAML(turningTask), Scene: "demo:low=1,high=800",
		Listen: "127.0.0.1:0", Correct: []string{"around"}})
	end := advancing(t, a)
	defer end()
	t.Run("rest", func(t *testing.T) { restOf(t, a) }) // first: a pair of frames astride a move would be no rest
	t.Run("turns", func(t *testing.T) { turnsOf(t, a) })
	a.SetPose(&facetdv1.Pose{}, &facetdv1.Velocity{YawDegPerS: 0.5})
	t.Run("plot", func(t *testing.T) { plotOf(t, a) })
}

// restOf: a still scene is told to be one, and one that drifts by a little is not.
func restOf(t *testing.T, a *facettest.Array) {
	picture := filepath.Join(t.TempDir(), "drift.svg")
	for _, rate := range []float64{0, 0.5} {
		a.SetPose(&facetdv1.Pose{}, &facetdv1.Velocity{YawDegPerS: rate})
		r := runAgainst(t, a.Address(), []string{"bench", "drift", "around", "--count", "30", "--svg", picture,
			"--output", "json"}, "")
		var got struct{ Chips []bench.Rest }
		if err := json.Unmarshal([]byte(r.Stdout), &got); err != nil || r.Status != 0 || len(got.Chips) != 3 {
			t.Fatal(err, r.Stdout, r.Stderr)
		}
		for _, c := range got.Chips {
			t.Logf("%+v", c)
			// Half a degree a second is 0.29 pixels of 1.7 degrees.
			if c.Pairs < 20 || c.Drifts() != (rate != 0) || rate == 0 &&
				c.DriftX*c.DriftX+c.DriftY*c.DriftY > 0.05*0.05 {
				t.Errorf("at %v degrees a second: %+v", rate, c)
			}
		}
		if text := runAgainst(t, a.Address(), []string{"bench", "drift", "around", "--count", "30"},
			"").Stdout; strings.Count(text, "rests") !=
			map[bool]int{true: 3}[rate == 0] {
			t.Errorf("at %v degrees a second:\n%s", rate, text)
		}
	}
	if drawn, err := os.ReadFile(picture); err != nil || strings.Count(string(drawn), "wall-04") != 2 ||
		strings.Count(string(drawn), `class="curve`) != 6 {
		t.Errorf("the picture: %v\n%s", err, drawn)
	}
}

// plotOf: a way along the pipe is drawn with its turn, heading and nearness.
func plotOf(t *testing.T, a *facettest.Array) {
	picture := filepath.Join(t.TempDir(), "motion.svg")
	a.SetScene("demo:low=1,high=800,radius=0.3,forward_rate=0.2,travel=0.6")
	r := runAgainst(t, a.Address(), []string{"motion", "plot", "around", "--count", "15", "--svg", picture, "--output",
		"json"}, "")
	var got struct {
		Estimates, Told, Headed int
		Seconds                 float64
	}
	if err := json.Unmarshal([]byte(r.Stdout), &got); err != nil || r.Status != 0 {
		t.Fatal(err, r.Stdout, r.Stderr)
	}
	if got.Estimates != 15 || got.Told < 12 || got.Headed < 10 || got.Seconds < 0.8 {
		t.Errorf("%+v", got)
	}
	drawn, err := os.ReadFile(picture)
	for _, want := range []string{"turn, radians a second", "about up", "to the left", "wall-01", "first contact"} {
		if err != nil || !strings.Contains(string(drawn), want) {
			t.Errorf("the picture lacks %q: %v", want, err)
		}
	}
	if n := strings.Count(string(drawn), `class="curve`); n < 8 { // three of the turn, two of the heading, three chips
		t.Errorf("%d curves", n)
	}
	for _, args := range [][]string{{"around"}, {"around", "--svg", "x", "--count", "1"}, {}} {
		if r := runAgainst(t, a.Address(), append([]string{"motion", "plot"}, args...), ""); r.Status != 2 {
			t.Errorf("%v: status %d", args, r.Status)
		}
	}
}

// turnsOf: an array of a real daemon that is mounted as its file says is found to be, from simulated
// pixels through correction maps; and turned slower than said, its fields of view would have to be narrower.
func turnsOf(t *testing.T, a *facettest.Array) {
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
		if c.Why != "" || c.OffDeg > 1.5 || c.OffSdDeg > 1 || c.Changed || c.Line != "" || c.Pairs < 40 {
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
