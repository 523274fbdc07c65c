package server

import (
	"errors"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"

	"facetd.example/api/invalid"
	"facetd.example/daemon/config"
	"facetd.example/scheduler"
)

// texts are the errors, each with its place.
func texts(m invalid.Errors) []string {
	var out []string
	for _, one := range m {
		out = append(out, one.String())
	}
	return out
}

// quick is the demo's array as fast as it goes, in plain light, on free ports,
// without a log.
func quick() Setup {
	c := Setup{Config: config.Default()}
	c.Scene = "uniform:200"
	c.Pace, c.Version, c.Logger = config.Free, "1.2.3", zap.NewNop()
	c.Listen = config.Listen{GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0"}
	return c
}

// Errors of the files come back together, with their lines.
func TestNewCollectsErrorsOfAllFiles(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	c := quick()
	c.Array = write("a.yaml", "select_lines: [a]\nchips: [{name: c, selects: [b]}]\n")
	c.Tasks = filepath.Join(dir, "missing.yaml")
	c.Scene = "panorama:nowhere.png"
	_, err := New(c)
	var m invalid.Errors
	if !errors.As(err, &m) {
		t.Fatal(err)
	}
	all := strings.Join(texts(m), "\n")
	for _, want := range []string{"a.yaml:2:", "tasks: " + c.Tasks + ": no such file", "scene: ",
		"nowhere.png: no such file"} {
		if !strings.Contains(all, want) {
			t.Errorf("%q is missing in:\n%s", want, all)
		}
	}

	c = quick()
	c.Array = write("wiring.yaml", "select_lines: [a]\nchips: [{name: c, selects: [a]}]\n")
	if _, err := New(c); !errors.As(err, &m) || m[0].Path != "array" {
		t.Errorf("wiring alone: %v", err)
	}

	c = quick()
	c.Tasks = write("t.yaml", "tasks:\n  - name: bed\n    target: {group: bed}\n    rate_hz: 20\n  - name: bow\n    "+
		"target: {group: wall}\n    rate_hz: -5\n")
	if _, err := New(c); !errors.As(err, &m) || m[0].Line != 7 || m[0].File != c.Tasks {
		t.Errorf("a task's error: %v", err)
	}
	var refusal *scheduler.RefusalError
	c.Tasks = write("t.yaml", "tasks:\n  - name: wall\n    target: {group: wall}\n    rate_hz: 900\n")
	if _, err := New(c); !errors.As(err, &refusal) {
		t.Errorf("a task that does not fit: %v", err)
	}
	// A picture beside the configuration file.
	read, m := config.Parse(filepath.Join(dir, "f.yaml"), []byte("scene: panorama:p.png\n"))
	if len(m) > 0 {
		t.Fatal(m)
	}
	parsed := Setup{Config: read}
	var asked []string
	parsed.ReadFile = func(name string) ([]byte, error) { asked = append(asked, name); return nil, os.ErrNotExist }
	if _, m := parsed.load(zap.NewNop()); len(m) != 1 || m[0].Path != "scene" ||
		!slices.Equal(asked, []string{filepath.Join(dir, "p.png")}) {
		t.Errorf("asked for %v: %v", asked, m)
	}
}

func TestBindIsAllOrNothing(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	socket := filepath.Join(t.TempDir(), "s")
	c := quick()
	c.Listen = config.Listen{GRPC: taken.Addr().String(), HTTP: taken.Addr().String(), Unix: socket}
	_, err = New(c)
	if err == nil || !strings.Contains(err.Error(), "listen.grpc: ") ||
		!strings.Contains(err.Error(), "listen.http: ") {
		t.Errorf("got %v", err)
	}
	if _, err := os.Lstat(socket); !os.IsNotExist(err) {
		t.Errorf("the socket is left behind: %v", err)
	}
}

func TestUnixSockets(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	stale, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := listenUnix(path); err == nil || !strings.Contains(err.Error(), "another process listens") {
		t.Errorf("a live socket: %v", err)
	}
	// A daemon that was killed leaves its socket behind.
	stale.(*net.UnixListener).SetUnlinkOnClose(false)
	stale.Close()
	l, err := listenUnix(path)
	if err != nil {
		t.Fatalf("a stale socket: %v", err)
	}
	if info, err := os.Lstat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	l.Close()
	if err := os.WriteFile(path, []byte("precious"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := listenUnix(path); err == nil || !strings.Contains(err.Error(), "not a socket") {
		t.Errorf("a file: %v", err)
	}
	if data, _ := os.ReadFile(path); string(data) != "precious" {
		t.Errorf("the file now holds %q", data)
	}
}
