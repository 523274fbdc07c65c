package main

import (
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"facetd.example/api/peertest"
	"facetd.example/clients/go/facettest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// tasks are those of the demo that the controller steers by, of the chips that it uses.
const tasks = `tasks:
- name: wall
  target: {list: {names: [wall-00, wall-01, wall-10, wall-11, wall-04, wall-05, wall-06, wall-07]}}
  rate_hz: 15
  views: [{name: wall, binning: {rows: 2, columns: 2}}]
- name: comb
  target: {list: {names: [bow-comb]}}
  rate_hz: 10
  views: [{name: comb}]
`

// drive is a run of a controller in a pipe with a wall across it at 1 m, from a place beside the middle.
type drive struct {
	left       string
	data       string
	controller func(a *facettest.Array) (said string, err error)
}

// end is where the crawler came to, and what the controller said.
type end struct {
	said           string
	beforeM, leftM float64
}

const length = 3200 * time.Millisecond

func (d drive) run(t *testing.T) end {
	t.Helper()
	cfg := facettest.Config{Tasks: facettest.YAML(tasks), Listen: "127.0.0.1:0", Data: d.data,
		Scene: "demo:low=1,high=800,forward=0.3,end=1,left=" + d.left}
	if kept, err := os.ReadDir(d.data); err != nil {
		t.Fatal(err)
	} else if len(kept) == 0 {
		cfg.Correct = []string{"wall", "comb"}
	}
	a := facettest.New(t, cfg)
	said, err := d.controller(a)
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	p := a.SetPose(nil, nil)
	return end{said, 1 - p.GetForwardM(), p.GetLeftM()}
}

func inGo(t *testing.T) func(a *facettest.Array) (string, error) {
	return func(a *facettest.Array) (string, error) {
		var out strings.Builder
		err := run(t.Context(), &out, a.Client, length)
		return out.String(), err
	}
}

func inPython(t *testing.T) func(a *facettest.Array) (string, error) {
	python := peertest.Python(t, "grpc", "google.protobuf", "numpy")
	return func(a *facettest.Array) (string, error) {
		cmd := exec.CommandContext(t.Context(), python, "../../../python/examples/hold_by_motion.py", "--address",
			a.Address(), "--seconds", "3.2")
		cmd.Env = append(os.Environ(), "PYTHONPATH=../../../python", "PYTHONDONTWRITEBYTECODE=1")
		out, err := cmd.CombinedOutput()
		return string(out), err
	}
}

// It comes to the middle from either side and stops before the wall; and every run is the same to the last bit, in Go
// as in Python.
func TestStopsBeforeTheWall(t *testing.T) {
	data := t.TempDir()
	judge := func(got end) {
		t.Helper()
		t.Logf("it ended %.3f m before the wall, %+.4f m to the left", got.beforeM, got.leftM)
		if !(got.beforeM > 0.15 && got.beforeM < 0.5 && got.leftM > -0.008 && got.leftM < 0.008) {
			t.Errorf("it ended %.3f m before the wall, %+.4f m to the left", got.beforeM, got.leftM)
		}
	}
	first := drive{left: "0.05", data: data, controller: inGo(t)}.run(t)
	judge(first)
	if n := strings.Count(first.said, "\n"); n != 160 {
		t.Errorf("it said %d lines:\n%s", n, first.said)
	}
	for i := range peertest.Cases(0, 9) {
		if again := (drive{left: "0.05", data: data, controller: inGo(t)}).run(t); again != first {
			t.Errorf("run %d was another:\n%s\n%s", i+2, first.said, again.said)
		}
	}
	for range peertest.Cases(0, 1) {
		judge(drive{left: "-0.05", data: data, controller: inGo(t)}.run(t))
	}
	t.Run("in Python", func(t *testing.T) {
		for i := range peertest.Cases(1, 10) {
			if again := (drive{left: "0.05", data: data, controller: inPython(t)}).run(t); again != first {
				t.Errorf("run %d was another than in Go:\n%s\n%s", i+1, first.said, again.said)
			}
		}
	})
}

// An example is to be read at a glance: it has less than 80 lines.
func TestShort(t *testing.T) {
	for _, file := range []string{"main.go", "../../../python/examples/hold_by_motion.py"} {
		text, err := os.ReadFile(file)
		if n := strings.Count(string(text), "\n"); err != nil || n >= 80 || n < 20 {
			t.Errorf("%s has %d lines: %v", file, n, err)
		}
	}
}
