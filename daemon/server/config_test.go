package server

import (
	"errors"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"facetd.example/api/invalid"
	"facetd.example/scheduler"
)

func texts(m invalid.Errors) []string {
	var out []string
	for _, one := range m {
		out = append(out, one.String())
	}
	return out
}

func TestParseConfig(t *testing.T) {
	c, m := ParseConfig("etc/facetd.yaml", []byte(`
array: arrays/a.yaml
tasks: /abs/tasks.yaml
scene: "panorama:wall.png,high=5"
pace: free
seed: 18446744073709551615
stop_at: 1m30s
listen: {grpc: "[::1]:0", unix: run/s, http: ""}
log: {level: debug, format: json}
`))
	if len(m) > 0 {
		t.Fatal(m)
	}
	want := DefaultConfig()
	want.Array, want.Tasks, want.Scene = "etc/arrays/a.yaml", "/abs/tasks.yaml", "panorama:wall.png,high=5"
	want.Pace, want.Seed, want.StopAt = Free, 1<<64-1, Duration(90*time.Second)
	want.Listen = Listen{GRPC: "[::1]:0", Unix: "etc/run/s"}
	want.Log = Log{Level: "debug", Format: "json"}
	want.dir, want.fileScene = "etc", want.Scene
	c.ReadFile, c.JobEnded = nil, nil
	if got, want := describe(c), describe(want); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	for _, empty := range []string{"", "# nothing\n", "{}"} {
		if c, m := ParseConfig("f", []byte(empty)); len(m) > 0 || c.Array != Demo || c.Listen != DefaultConfig().Listen {
			t.Errorf("%q: %v %v", empty, c, m)
		}
	}
}

func describe(c Config) string {
	return strings.Join([]string{c.Array, c.Tasks, c.Scene, c.Pace, time.Duration(c.StopAt).String(), c.Listen.GRPC, c.Listen.Unix, c.Listen.HTTP, c.Log.Level, c.Log.Format, c.dir, c.fileScene}, " | ")
}

func TestConfigErrorsHaveTheirLines(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		want []string
	}{
		"unknown fields, all of them": {
			"aray: x\nlisten:\n  grcp: y\n  http: 127.0.0.1:1\nlog: {lewel: z}\n",
			[]string{
				`f.yaml:1: there is no field "aray" here (known: bus, replay, array, tasks, scene, pace, seed, stop_at, data, defects, calibration, listen, access, log)`,
				`f.yaml:3: there is no field "grcp" here (known: grpc, unix, http)`,
				`f.yaml:5: there is no field "lewel" here (known: level, format)`,
			},
		},
		"wrong types": {
			"seed: -1\nstop_at: soon\nlisten: here\n",
			[]string{
				`f.yaml:1: "-1" is not possible here (write a whole number from 0 on)`,
				`f.yaml:2: "soon" is not a duration; write 250ms, 90s or 1h30m`,
				`f.yaml:3: "here" is not possible here (fields belong here)`,
			},
		},
		"wrong values, all of them": {
			"pace: slow\nstop_at: -1s\nlisten:\n  grpc: 0.0.0.0:7660\n  http: \":80\"\nlog:\n  format: xml\n  level: loud\narray: \"\"\n",
			[]string{
				`f.yaml:1:1: pace: "slow" is not possible (use one of [realtime free])`,
				`f.yaml:2:1: stop_at: -1s is before the start (give a time above zero, or leave it out)`,
				`f.yaml:4:3: listen.grpc: "0.0.0.0:7660" could be reached from other machines, which takes access control (use 127.0.0.1:7660, or give access.tls.certificate and access.tls.key, and access.tls.client_ca or access.tokens)`,
				`f.yaml:5:3: listen.http: ":80" could be reached from other machines, which takes access control (use 127.0.0.1:80, or give access.tls.certificate and access.tls.key, and access.tls.client_ca or access.tokens)`,
				`f.yaml:7:3: log.format: "xml" is not possible (use one of [json console])`,
				`f.yaml:8:3: log.level: "loud" is not possible (use one of [debug info warn error])`,
				`f.yaml:9:1: array: no array is named (give a file, or demo)`,
			},
		},
		"not YAML":      {"seed: 1\na: b: c\n", []string{"f.yaml:2: mapping values are not allowed in this context"}},
		"two documents": {"seed: 1\n---\nseed: 2\n", []string{"f.yaml: there is more than one document (leave out the lines ---)"}},
		"no address":    {"listen: {grpc: \"\"}\n", []string{"f.yaml:1:1: listen: the API has no address (give grpc or unix)"}},
		"too large":     {"# " + strings.Repeat("x", maxConfigBytes), []string{"f.yaml: the file has 1048578 bytes (at most 1048576 are read)"}},
	} {
		if _, m := ParseConfig("f.yaml", []byte(c.text)); !slices.Equal(texts(m), c.want) {
			t.Errorf("%s:\ngot  %s\nwant %s", name, strings.Join(texts(m), "\n     "), strings.Join(c.want, "\n     "))
		}
	}
}

func TestOnlyLoopbackAddresses(t *testing.T) {
	for address, ok := range map[string]bool{
		"127.0.0.1:0": true, "127.9.8.7:65535": true, "[::1]:1": true, "localhost:7660": true, "[::ffff:127.0.0.1]:1": true, "": true,
		"0.0.0.0:1": false, "[::]:1": false, ":1": false, "10.0.0.1:1": false, "example.org:1": false, "localhost.example.org:1": false,
		"127.0.0.1": false, "127.0.0.1:65536": false, "127.0.0.1:http": false, "127.0.0.1:-1": false, "127.0.0.1:": false, "[fe80::1]:1": false,
	} {
		c := DefaultConfig()
		c.Listen.HTTP = address
		if m := c.Validate(); (len(m) == 0) != ok {
			t.Errorf("%q: %v", address, m)
		}
	}
	c := DefaultConfig()
	c.Listen.Unix = "/" + strings.Repeat("x", maxSocketPath)
	if m := c.Validate(); len(m) != 1 || m[0].Path != "listen.unix" {
		t.Errorf("long socket path: %v", m)
	}
}

func FuzzParseConfig(f *testing.F) {
	f.Add([]byte("array: a\nlisten: {grpc: \"127.0.0.1:1\"}\nstop_at: 3s\n"))
	f.Add([]byte("a: &a [*a]\nlog: {level: 3}\n---\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, m := ParseConfig("f.yaml", data)
		if len(m) == 0 && len(c.Validate()) > 0 {
			t.Errorf("taken, but not valid: %v", c.Validate())
		}
		for _, one := range m {
			if one.File != "f.yaml" || one.Message == "" {
				t.Errorf("error %+v", one)
			}
		}
	})
}

// quick is the demo's array as fast as it goes, in plain light, on free ports,
// without a log.
func quick() Config {
	c := DefaultConfig()
	c.Scene = "uniform:200"
	c.Pace, c.Version, c.Logger = Free, "1.2.3", zap.NewNop()
	c.Listen = Listen{GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0"}
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
	for _, want := range []string{"a.yaml:2:", "tasks: " + c.Tasks + ": no such file", "scene: ", "nowhere.png: no such file"} {
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
	c.Tasks = write("t.yaml", "tasks:\n  - name: bed\n    target: {group: bed}\n    rate_hz: 20\n  - name: bow\n    target: {group: wall}\n    rate_hz: -5\n")
	if _, err := New(c); !errors.As(err, &m) || m[0].Line != 7 || m[0].File != c.Tasks {
		t.Errorf("a task's error: %v", err)
	}
	var refusal *scheduler.RefusalError
	c.Tasks = write("t.yaml", "tasks:\n  - name: wall\n    target: {group: wall}\n    rate_hz: 900\n")
	if _, err := New(c); !errors.As(err, &refusal) {
		t.Errorf("a task that does not fit: %v", err)
	}
	// A picture beside the configuration file.
	parsed, m := ParseConfig(filepath.Join(dir, "f.yaml"), []byte("scene: panorama:p.png\n"))
	if len(m) > 0 {
		t.Fatal(m)
	}
	var asked []string
	parsed.ReadFile = func(name string) ([]byte, error) { asked = append(asked, name); return nil, os.ErrNotExist }
	if _, m := parsed.load(zap.NewNop()); len(m) != 1 || m[0].Path != "scene" || !slices.Equal(asked, []string{filepath.Join(dir, "p.png")}) {
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
	c.Listen = Listen{GRPC: taken.Addr().String(), HTTP: taken.Addr().String(), Unix: socket}
	_, err = New(c)
	if err == nil || !strings.Contains(err.Error(), "listen.grpc: ") || !strings.Contains(err.Error(), "listen.http: ") {
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
