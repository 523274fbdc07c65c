package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image/color"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"facetd.example/api/cli"
	"facetd.example/api/cli/clitest"
)

// runAgainst runs the real command tree in this process.
func runAgainst(t *testing.T, address string, args []string, stdin string) clitest.Result {
	t.Helper()
	return runReading(t, address, args, strings.NewReader(stdin))
}

// runReading is runAgainst with standard input from anywhere.
func runReading(t *testing.T, address string, args []string, stdin io.Reader) clitest.Result {
	t.Helper()
	var stdout clitest.Screen
	var stderr bytes.Buffer
	a := &app{env: func(name string) string {
		if name == "FACETD_ADDRESS" {
			return address
		}
		return ""
	}}
	status := cli.Execute(t.Context(), newRoot(a), args, stdin, &stdout, &stderr)
	clean := func(b fmt.Stringer) string { return strings.ReplaceAll(b.String(), address, "ADDRESS") }
	return clitest.Result{Stdout: clean(&stdout), Stderr: clean(&stderr), Status: status}
}

func TestScripts(t *testing.T) {
	f := startFake(t)
	clitest.Scripts(t, "testdata/*.script", func(t *testing.T, args []string, stdin string) clitest.Result {
		r := runAgainst(t, f.address, args, stdin)
		r.Calls = f.taken()
		return r
	})
}

func TestEveryCommandHasHelpWithAnExample(t *testing.T) {
	clitest.Help(t, newRoot(&app{env: func(string) string { return "" }}))
}

func TestDaemonAway(t *testing.T) {
	for _, args := range [][]string{{"status"}, {"status", "--watch"}, {"chips"}, {"frames", "watch"},
		{"tasks", "list"}} {
		r := runAgainst(t, "unix:"+filepath.Join(t.TempDir(), "none"), args, "")
		if r.Status != cli.StatusFailed || !strings.Contains(r.Stderr, "is facetd running") || r.Stdout != "" {
			t.Errorf("%v without a daemon: status %d, stdout %q, stderr %q", args, r.Status, r.Stdout, r.Stderr)
		}
	}
}

// An interrupted stream is a good end; an interrupted question is not.
func TestInterrupted(t *testing.T) {
	f := startFake(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var out, errs bytes.Buffer
	env := func(name string) string {
		if name == "FACETD_ADDRESS" {
			return f.address
		}
		return ""
	}
	for _, args := range [][]string{{"frames", "watch"}, {"frames", "watch", "--task", "look"},
		{"frames", "watch", "--chips", "m0", "--output", "json"}, {"status", "--watch"}, {"events", "--follow"}} {
		if s := cli.Execute(ctx, newRoot(&app{env: env}), args, nil, &out, &errs); s != cli.StatusOK {
			t.Errorf("%v, interrupted, ended with %d: %s", args, s, &errs)
		}
	}
	if s := cli.Execute(ctx, newRoot(&app{env: env}), []string{"chips"}, nil, &out, &errs); s != cli.StatusFailed {
		t.Errorf("an interrupted question ended with %d", s)
	}
}

// A saved picture holds the codes that were sent, and its sidecar their bus times.
func TestSaveKeepsCodes(t *testing.T) {
	f := startFake(t)
	dir := filepath.Join(t.TempDir(), "new", "dir")
	if r := runAgainst(t, f.address, []string{"frames", "save", "--task", "look", "--count", "2", "--out", dir,
		"--sheet"}, ""); r.Status != 0 {
		t.Fatal(r.Stderr)
	}
	var names []string
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		names = append(names, e.Name())
	}
	want := []string{
		"look-000003-h0-whole.json", "look-000003-h0-whole.png", "look-000003-m0-whole.json",
		"look-000003-m0-whole.png", "look-000003-sheet.png",
		"look-000004-h0-whole.json", "look-000004-h0-whole.png", "look-000004-m0-whole.json",
		"look-000004-m0-whole.png", "look-000004-sheet.png",
	}
	if !slices.Equal(names, want) {
		t.Fatalf("saved %q, want %q", names, want)
	}
	file, err := os.Open(filepath.Join(dir, "look-000004-m0-whole.png"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	img, err := png.Decode(file)
	if err != nil {
		t.Fatal(err)
	}
	if b := img.Bounds(); b.Dx() != 16 || b.Dy() != 12 {
		t.Fatalf("the picture is %d x %d, want 16 wide and 12 high", b.Dx(), b.Dy())
	}
	for y := range 12 {
		for x := range 16 {
			if got, want := img.At(x, y), (color.Gray16{Y: uint16(204 + 100*y + x)}); got != want {
				t.Fatalf("pixel (%d, %d) is %v, want %v", x, y, got, want)
			}
		}
	}
	var side struct {
		Picture  string
		FrameSet struct {
			Release string `json:"release_bus_ns"`
		} `json:"frame_set"`
		Frame struct {
			Light string `json:"light_bus_ns"`
			Data  string
		}
	}
	raw, err := os.ReadFile(filepath.Join(dir, "look-000004-m0-whole.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(raw, &side); err != nil {
		t.Fatal(err)
	}
	if side.Picture != "look-000004-m0-whole.png" || side.FrameSet.Release != "80000000" ||
		side.Frame.Light != "80001000" || side.Frame.Data != "" {
		t.Errorf("the sidecar says %+v", side)
	}
}

// TestBothFramesOfAPairAreSaved: neither takes the file of the other.
func TestBothFramesOfAPairAreSaved(t *testing.T) {
	dir := t.TempDir()
	fs := fakeSet("pairs", 3)
	for _, f := range fakeSet("pairs", 103).GetFrames() {
		f.SecondOfPair = true
		fs.Frames = append(fs.Frames, f)
	}
	s := &saver{cmd: newRoot(&app{env: func(string) string { return "" }}), dir: dir, sheet: true}
	s.cmd.SetErr(io.Discard)
	if err := s.save(fs, 1); err != nil {
		t.Fatal(err)
	}
	for name, code := range map[string]uint16{"pairs-000003-m0-whole": 203, "pairs-000003-m0-whole+second": 303,
		"pairs-000003-h0-whole": 703, "pairs-000003-h0-whole+second": 803} {
		file, err := os.Open(filepath.Join(dir, name+".png"))
		if err != nil {
			t.Error(err)
			continue
		}
		img, err := png.Decode(file)
		if err != nil {
			t.Fatal(err)
		}
		if got := img.At(0, 0); got != (color.Gray16{Y: code}) {
			t.Errorf("%s begins with %v, want %d", name, got, code)
		}
		if err := file.Close(); err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(filepath.Join(dir, name+".json")); err != nil {
			t.Error(err)
		}
	}
}

func TestFileNamesStayApartAndInside(t *testing.T) {
	seen := map[string]string{}
	for _, name := range []string{"a", "a:b", "a+b", "a b", "a/b", "..", "../x", ".", "", "%2F", "ä", "wall-00"} {
		got := fileName(name, "none")
		if strings.ContainsAny(got, `/\`) || strings.HasPrefix(got, ".") {
			t.Errorf("%q becomes %q", name, got)
		}
		if other, taken := seen[got]; taken {
			t.Errorf("%q and %q both become %q", name, other, got)
		}
		seen[got] = name
	}
}

// A terminal is repainted, not scrolled, and pictures are in true grey.
func TestTerminal(t *testing.T) {
	f := startFake(t)
	var out, errs bytes.Buffer
	a := &app{env: func(name string) string {
		if name == "FACETD_ADDRESS" {
			return f.address
		}
		return ""
	}, terminal: func() (int, int) { return 100, 40 }}
	if s := cli.Execute(t.Context(), newRoot(a), []string{"frames", "watch", "--interval", "1h"}, nil, &out,
		&errs); s != 0 {
		t.Fatal(errs.String())
	}
	for _, want := range []string{"\x1b[2J\x1b[H", "\u2580", "\x1b[38;2;255;255;255", "\x1b[0m"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the terminal did not get %q", want)
		}
	}
}

// TestFit: no line wraps and none is too many, whatever the terminal's size.
func TestFit(t *testing.T) {
	text := "TASK  RATE\nwäll    15\n\x1b[31mred\x1b[0m and more\nlast\n"
	for _, c := range []struct {
		columns, lines int
		want           string
	}{
		{80, 24, text},
		{6, 24, "TASK  \nwäll  \n\x1b[31mred\x1b[0m and more\nlast\n"},
		{80, 3, "TASK  RATE\nwäll    15\n"},
		{80, 0, "TASK  RATE\n"},
	} {
		a := &app{terminal: func() (int, int) { return c.columns, c.lines }}
		if got := a.fit(text); got != c.want {
			t.Errorf("%d x %d: got %q, want %q", c.columns, c.lines, got, c.want)
		}
	}
	if got := (&app{}).fit(text); got != text {
		t.Errorf("without a terminal: %q", got)
	}
}
