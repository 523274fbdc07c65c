package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/yamlfile"
	"facetd.example/daemon/config"
)

// TestHelpSaysWhatAReloadChanges: the help names every field that a reload can change, in words.
func TestHelpSaysWhatAReloadChanges(t *testing.T) {
	help := strings.Join(strings.Fields(run(t, []string{"serve", "--help"}, "").Stdout), " ")
	_, help, found := strings.Cut(help, "On SIGHUP ")
	if !found {
		t.Fatal("the help does not speak of SIGHUP")
	}
	help, _, _ = strings.Cut(help, "What it prints")
	words := map[string]string{"array": "an array file that describes another array", "tasks": "tasks",
		"scene":  "scene",
		"access": "access", "log.level": "log level"}
	defaults, live := config.Default(), 0
	for _, l := range yamlfile.Leaves(&defaults) {
		if !config.IsLive(l.Path) {
			continue
		}
		live++
		word := words[l.Path]
		if strings.HasPrefix(l.Path, "access.") {
			word = words["access"]
		}
		if word == "" || !strings.Contains(help, word) {
			t.Errorf("a reload can change %s, and the help does not say %q: %s", l.Path, word, help)
		}
	}
	if live < 9 {
		t.Errorf("%d fields", live)
	}
}

// benchArgs run the test array without taking a port that anybody knows.
func benchArgs(more ...string) []string {
	return append([]string{"serve", "--array", "testdata/bench.yaml", "--tasks", "testdata/bench-tasks.yaml", "--scene",
		"uniform:100",
		"--listen", "127.0.0.1:0", "--http", "", "--log-level", "error"}, more...)
}

func benchRun(t *testing.T, more ...string) runSummary {
	t.Helper()
	r := run(t, benchArgs(append(more, "--output", "json")...), "")
	if r.Status != 0 {
		t.Fatalf("status %d: %s", r.Status, r.Stderr)
	}
	var sum runSummary
	if err := json.Unmarshal([]byte(r.Stdout), &sum); err != nil {
		t.Fatalf("%v in %q", err, r.Stdout)
	}
	if !strings.Contains(r.Stderr, "gRPC     127.0.0.1:") || !strings.Contains(r.Stderr, "seed") {
		t.Errorf("the banner is %q", r.Stderr)
	}
	return sum
}

// Equal seeds give equal captures; another seed gives others.
func TestRunsRepeat(t *testing.T) {
	free := benchRun(t, "--pace", "free", "--run-for", "300ms", "--seed", "7")
	again := benchRun(t, "--pace", "free", "--run-for", "300ms", "--seed", "7")
	other := benchRun(t, "--pace", "free", "--run-for", "300ms", "--seed", "8")
	if free.SHA256 != again.SHA256 || free.SHA256 == other.SHA256 {
		t.Errorf("digests: %s, again %s, other seed %s", free.SHA256, again.SHA256, other.SHA256)
	}
	if free.Violations != 0 || free.FrameSets < 40 {
		t.Errorf("bus rules violated %d times, %d frame sets", free.Violations, free.FrameSets)
	}
	if free.Seed != 7 || free.Pace != "free" || free.Array != "bench" {
		t.Errorf("the summary says seed %d, pace %s, array %s", free.Seed, free.Pace, free.Array)
	}
}

// What a run achieved is what was asked for: 50 Hz of four frames and 100 Hz of
// one, over one second.
func TestRunAchievesWhatWasAsked(t *testing.T) {
	sum := benchRun(t, "--pace", "free", "--run-for", "1s")
	var sets, frames uint64
	for _, q := range sum.Tasks {
		if q.Planned != q.Requested || q.Achieved < 0.97*q.Requested || q.Achieved > 1.03*q.Requested || q.Late != 0 ||
			q.Failed != 0 {
			t.Errorf("%+v", q)
		}
		sets += q.OnTime
		frames += q.Frames
	}
	if len(sum.Tasks) != 2 || sets < 147 || sum.FrameSets != sets || sum.Frames != frames ||
		frames != sum.Tasks[0].OnTime*4+sum.Tasks[1].OnTime {
		t.Errorf("%d sets and %d frames by task, %d and %d in all", sets, frames, sum.FrameSets, sum.Frames)
	}
	if sum.BusSeconds < 0.99 || sum.BusSeconds > 1.1 || sum.WallSeconds <= 0 || sum.SpeedFactor <= 0 {
		t.Errorf("%g s of bus time in %g s, factor %g", sum.BusSeconds, sum.WallSeconds, sum.SpeedFactor)
	}
}

func TestRunForPeople(t *testing.T) {
	r := run(t, benchArgs("--pace", "free", "--run-for", "100ms", "--socket", filepath.Join(t.TempDir(), "s")), "")
	for _, want := range []string{"facetd dev runs bench: 6 chips, pace free, seed 1\n", "\ngRPC     127.0.0.1:",
		"\ngRPC     unix:", "\nran 0.1", "\nsha256    ", "\nring ", "\nahead "} {
		if r.Status != 0 || !strings.Contains(r.Stdout, want) {
			t.Errorf("status %d, no %q in\n%s%s", r.Status, want, r.Stdout, r.Stderr)
		}
	}
}

// A signal ends the daemon well; main turns signals into the end of this context.
func TestStopsWhenAsked(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	var stdout, stderr bytes.Buffer
	ended := make(chan int, 1)
	go func() { ended <- cli.Execute(ctx, newRoot(), benchArgs(), strings.NewReader(""), &stdout, &stderr) }()
	cancel()
	select {
	case status := <-ended:
		if status != cli.StatusOK {
			t.Errorf("status %d: %s", status, &stderr)
		}
	case <-time.After(2 * time.Minute):
		t.Fatal("the daemon did not stop")
	}
}

// broken is a server whose bus gives up after half a second. It began before, as that of a device.
type broken struct{ ns int64 }

func (b *broken) Run(context.Context) error { b.ns += 5e8; return errors.New("the lane is on fire") }
func (b *broken) Status() *facetdv1.Status  { return &facetdv1.Status{Array: "bench", BusNs: b.ns} }

func TestARunThatBreaksFailsAndStillSumsUp(t *testing.T) {
	var stdout, stderr bytes.Buffer
	root := &cobra.Command{Use: "facetd", RunE: func(cmd *cobra.Command,
		_ []string) error {
		return serve(cmd, &broken{3e9}, newRecorder(), time.Second)
	}}
	cli.AddOutputFlag(root)
	status := cli.Execute(t.Context(), root, []string{"-o", "json"}, nil, &stdout, &stderr)
	var sum runSummary
	if err := json.Unmarshal(stdout.Bytes(), &sum); err != nil || status != cli.StatusFailed ||
		sum.Fault != "the lane is on fire" || sum.BusSeconds != 0.5 {
		t.Errorf("status %d, %v, %s", status, err, &stdout)
	}
	if !strings.Contains(stderr.String(), "the lane is on fire") {
		t.Errorf("stderr %q", &stderr)
	}
}

func TestPicturesNameScenes(t *testing.T) {
	for in, want := range map[string]string{
		"wall.png": "panorama:wall.png", "a/b.JPG": "panorama:a/b.JPG", "x.jpeg": "panorama:x.jpeg",
		"uniform:3": "uniform:3", "demo": "demo", "panorama:w.png": "panorama:w.png",
		"panorama:w.png,low=1": "panorama:w.png,low=1",
	} {
		if got := sceneOf(in); got != want {
			t.Errorf("sceneOf(%q) = %q, want %q", in, got, want)
		}
	}
}

// In real time a run gives what it does as fast as it can, and the rules hold. How
// long it takes is not judged here: the bus's clock starts before the run does.
func TestRunInRealTime(t *testing.T) {
	sum := benchRun(t, "--run-for", "300ms", "--seed", "7", "--max-lag", "0s")
	if sum.Pace != "realtime" || sum.WallSeconds <= 0 || sum.Violations != 0 || sum.FrameSets < 40 {
		t.Errorf("%+v", sum)
	}
}
