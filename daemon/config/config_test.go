package config

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
)

func texts(m invalid.Errors) []string {
	var out []string
	for _, one := range m {
		out = append(out, one.String())
	}
	return out
}

func TestParse(t *testing.T) {
	c, m := Parse("etc/facetd.yaml", []byte(`
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
	want := Default()
	want.Array, want.Tasks, want.Scene = "etc/arrays/a.yaml", "/abs/tasks.yaml", "panorama:wall.png,high=5"
	want.Pace, want.Seed, want.StopAt = Free, 1<<64-1, 90*time.Second
	want.Listen = Listen{GRPC: "[::1]:0", Unix: "etc/run/s"}
	want.Log = Log{Level: "debug", Format: "json"}
	want.dir, want.fileScene = "etc", want.Scene
	if got, want := describe(c), describe(want); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	for _, empty := range []string{"", "# nothing\n", "{}"} {
		if c, m := Parse("f", []byte(empty)); len(m) > 0 || c.Array != Demo || c.Listen != Default().Listen {
			t.Errorf("%q: %v %v", empty, c, m)
		}
	}
}

func describe(c Config) string {
	return strings.Join([]string{c.Array, c.Tasks, c.Scene, c.Pace, c.StopAt.String(), c.Listen.GRPC, c.Listen.Unix,
		c.Listen.HTTP, c.Log.Level, c.Log.Format, c.dir, c.fileScene}, " | ")
}

func TestConfigErrorsHaveTheirLines(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		want []string
	}{
		"unknown fields, all of them": {
			"aray: x\nlisten:\n  grcp: y\n  http: 127.0.0.1:1\nlog: {lewel: z}\n",
			[]string{
				`f.yaml:1:1: aray: there is no field "aray" here (did you mean "array"? known: bus, take_over, untested_device, name, replay, array, tasks, ` +
					`scene, pace, lockstep, seed, grain, max_lag, stop_at, data, data_readers, defects, calibration, recordings, listen, access, log)`,
				`f.yaml:3:3: listen.grcp: there is no field "grcp" here (did you mean "grpc"? known: grpc, unix, http)`,
				`f.yaml:3:3: listen.grpc: "y" is not an address (write host:port, such as 127.0.0.1:7660)`,
				`f.yaml:5:7: log.lewel: there is no field "lewel" here (did you mean "level"? known: level, format)`,
				`f.yaml:5:7: log.level: "z" is not possible (use debug, info, warn, error)`,
			},
		},
		"wrong types": {
			"seed: -1\nstop_at: soon\nlisten: here\n",
			[]string{
				`f.yaml:1:7: seed: -1 is out of range (give a whole number from 0 to 18446744073709551615)`,
				`f.yaml:2:10: stop_at: "soon" is not a time ` +
					`(write a number and its unit without a space, such as "500ns", "20us" or "1.5ms")`,
				`f.yaml:3:9: listen: the value "here" stands where fields are expected (write {grpc: ...}; known: grpc, unix, http)`,
			},
		},
		"wrong values, all of them": {
			"pace: slow\nstop_at: -1s\nlisten:\n  grpc: 0.0.0.0:7660\n  http: \":80\"\nlog:\n  format: xml\n  " +
				"level: loud\narray: \"\"\n",
			[]string{
				`f.yaml:1:1: pace: "slow" is not possible (use realtime, free, lockstep)`,
				`f.yaml:2:1: stop_at: -1s is before the start (give a time above zero, or leave it out)`,
				`f.yaml:4:3: listen.grpc: "0.0.0.0:7660" could be reached from other machines, which requires access control (use 127.0.0.1:7660, or give access.tls.certificate and access.tls.key, and access.tls.client_ca or access.tokens)`,
				`f.yaml:5:3: listen.http: ":80" could be reached from other machines, which requires access control (use 127.0.0.1:80, or give access.tls.certificate and access.tls.key, and access.tls.client_ca or access.tokens)`,
				`f.yaml:7:3: log.format: "xml" is not possible (use json, console)`,
				`f.yaml:8:3: log.level: "loud" is not possible (use debug, info, warn, error)`,
				`f.yaml:9:1: array: no array is named (give a file, or demo)`,
			},
		},
		"not YAML": {"seed: 1\na: b: c\n",
			[]string{"f.yaml:2: mapping values are not allowed in this context (the file is not YAML)"}},
		"two documents": {"seed: 1\n---\nseed: 2\n",
			[]string{"f.yaml:2:1: there is more than one document in the file (leave out the lines ---, or make two " +
				"files)"}},
		"no address": {"listen: {grpc: \"\"}\n",
			[]string{"f.yaml:1:1: listen: the API has no address (give grpc or unix)"}},
		"too large": {"# " + strings.Repeat("x", yamlfile.MaxBytes),
			[]string{"f.yaml: the file has 4194306 bytes (at most 4194304 are read)"}},
	} {
		if _, m := Parse("f.yaml", []byte(c.text)); !slices.Equal(texts(m), c.want) {
			t.Errorf("%s:\ngot  %s\nwant %s", name, strings.Join(texts(m), "\n     "), strings.Join(c.want, "\n     "))
		}
	}
}

func TestOnlyLoopbackAddresses(t *testing.T) {
	for address, ok := range map[string]bool{
		"127.0.0.1:0": true, "127.9.8.7:65535": true, "[::1]:1": true, "localhost:7660": true,
		"[::ffff:127.0.0.1]:1": true, "": true,
		"0.0.0.0:1": false, "[::]:1": false, ":1": false, "10.0.0.1:1": false, "example.org:1": false,
		"localhost.example.org:1": false,
		"127.0.0.1":               false, "127.0.0.1:65536": false, "127.0.0.1:http": false, "127.0.0.1:-1": false,
		"127.0.0.1:": false, "[fe80::1]:1": false,
	} {
		c := Default()
		c.Listen.HTTP = address
		if m := c.Validate(); (len(m) == 0) != ok {
			t.Errorf("%q: %v", address, m)
		}
	}
	c := Default()
	c.Listen.Unix = "/" + strings.Repeat("x", maxSocketPath)
	if m := c.Validate(); len(m) != 1 || m[0].Path != "listen.unix" {
		t.Errorf("long socket path: %v", m)
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("array: a\nlisten: {grpc: \"127.0.0.1:1\"}\nstop_at: 3s\n"))
	f.Add([]byte("a: &a [*a]\nlog: {level: 3}\n---\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, m := Parse("f.yaml", data)
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

// TestDefaultsOfTheReferenceAreRead: what stands as a default is what an empty file
// means, and can be written into one.
func TestDefaultsOfTheReferenceAreRead(t *testing.T) {
	c, m := Parse("f", []byte("bus: virtual\narray: demo\npace: realtime\nseed: 1\nlisten: {grpc: 127.0.0.1:7660, "+
		"http: 127.0.0.1:7661}\naccess: {loopback: free, tls: {clients: {}}}\nlog: {level: info, format: console}\n"))
	want := Default()
	want.Scene, want.dir, want.fileScene = c.Scene, c.dir, c.fileScene
	if len(m) > 0 || describe(c) != describe(want) || fmt.Sprint(c.Access) != fmt.Sprint(want.Access) ||
		c.Bus != want.Bus || c.Seed != want.Seed {
		t.Errorf("%v %v", describe(c), m)
	}
}

// Every field that is said to be live is one of the configuration.
func TestLiveFieldsExist(t *testing.T) {
	leaves := yamlfile.Leaves(&Config{})
	for _, name := range live {
		if !slices.ContainsFunc(leaves, func(l yamlfile.Leaf) bool {
			return l.Path == name || strings.HasPrefix(l.Path, name+".")
		}) {
			t.Errorf("there is no field %s", name)
		}
	}
}
