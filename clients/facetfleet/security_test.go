package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/api/peertest"
	"facetd.example/clients/facetfleet/internal/bridge"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/natstest"
	"facetd.example/clients/facetfleet/internal/subject"
	"facetd.example/daemon/access/accesstest"
)

// secured is a hub of five customers with TLS and keys, as hub-config writes it.
type secured struct {
	url, dir, ca string
}

func startSecured(t *testing.T) *secured {
	t.Helper()
	address := peertest.Address(t)
	s := &secured{url: "tls://" + address, dir: t.TempDir()}
	authority := accesstest.NewAuthority(t, "hub")
	id := authority.Server("127.0.0.1")
	s.ca = authority.CA()
	text, err := os.ReadFile("../../deploy/fleet/fleet.yaml")
	if err != nil {
		t.Fatal(err)
	}
	described := strings.NewReplacer("127.0.0.1:4222", address, "/var/lib/facetfleet", filepath.Join(s.dir, "store"),
		"# tls: {cert: /etc/facetfleet/hub.pem, key: /etc/facetfleet/hub.key}",
		fmt.Sprintf("tls: {cert: %q, key: %q}", id.CertFile, id.KeyFile)).Replace(string(text))
	for _, more := range []string{"sewers", "shafts", "tanks"} {
		described += fmt.Sprintf("  - {name: %s, bytes: 100000000}\n", more)
	}
	file := filepath.Join(s.dir, "fleet.yaml")
	if err := os.WriteFile(file, []byte(described), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"11 keys, 11 of them new", "11 keys, 0 of them new"} {
		if status, out, errs := run(t, s.url, "hub-config", file, "--out", s.dir); status != 0 ||
			!strings.Contains(out, want) {
			t.Fatalf("hub-config: status %d, %s%s", status, out, errs)
		}
	}
	natstest.At(t, address, filepath.Join(s.dir, "hub-1.conf"))
	for customer, limits := range map[string][]string{"culverts": nil, "tunnels": nil,
		"tanks": {"--event-bytes", "10000000", "--bucket-bytes", "1000000"}} {
		natstest.Wait(t, "streams of "+customer, func() error {
			status, _, errs := s.run(t, customer+"/keeper-hub", append([]string{"hub-streams"}, limits...)...)
			if status != 0 {
				return errors.New(errs)
			}
			return nil
		})
	}
	return s
}

func (s *secured) key(name string) string { return filepath.Join(s.dir, "keys", name+".key") }

// run runs a command line with a key.
func (s *secured) run(t *testing.T, key string, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	return run(t, s.url, append([]string{"--hub-key", s.key(key), "--hub-ca", s.ca}, args...)...)
}

// connect connects with a key.
func (s *secured) connect(t *testing.T, key string) *hub.Conn {
	t.Helper()
	a := &app{hub: s.url, key: s.key(key), ca: s.ca, timeout: time.Second}
	c, err := a.connect(t.Name(), true, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

// bridge runs the bridge of a robot with a key; it ends with the test.
func (s *secured) bridge(t *testing.T, robot, key string) <-chan error {
	t.Helper()
	b, err := bridge.New(bridge.Config{Robot: robot, Daemon: demoDaemon(t), Hub: s.connect(t, key)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	ended, done := make(chan error, 1), make(chan struct{})
	go func() { ended <- b.Run(ctx); close(done) }()
	t.Cleanup(func() { cancel(); <-done })
	return ended
}

// TestKeysAndRoles: a robot is itself alone, a viewer orders nothing, customers do not see each other, and what is not
// allowed is an error at once and no time-out.
func TestKeysAndRoles(t *testing.T) {
	t.Parallel()
	s := startSecured(t)
	s.bridge(t, "crawler-7", "culverts/robot-crawler-7")
	operator, viewer := s.connect(t, "culverts/operator-grete"), s.connect(t, "culverts/viewer-ada")
	fresh(t, viewer, "crawler-7", time.Time{})

	// Everything that the roles are for works with their keys.
	stop := &fleetv1.Command{What: &fleetv1.Command_Stop{Stop: &facetdv1.StopArrayRequest{Reason: "a test"}}}
	if _, err := fleet.Order(t.Context(), operator, "crawler-7", stop); err != nil {
		t.Errorf("an operator's stop: %v", err)
	}
	natstest.Wait(t, "events", func() error {
		events, err := atHub(t, viewer, "crawler-7")
		if err != nil || len(events) < 2 {
			return orLater(err)
		}
		return nil
	})
	for _, args := range [][]string{{"robots"}, {"events"}, {"events", "--reader", "x"}} {
		if status, out, errs := s.run(t, "culverts/viewer-ada", args...); status != 0 ||
			!strings.Contains(out, "crawler-7") {
			t.Errorf("a viewer's %v: status %d, %s%s", args, status, out, errs)
		}
	}
	if status, _, errs := s.run(t, "culverts/viewer-ada", "frames", "--robot", "crawler-7", "--task",
		"none"); status != 1 ||
		!strings.Contains(errs, "there is no task") {
		t.Errorf("a viewer's lease: status %d, %s", status, errs)
	}

	s.index(t)
	s.readers(t)

	// What is not allowed.
	began := time.Now()
	_, err := fleet.Order(t.Context(), viewer, "crawler-7", stop)
	if denied := new(hub.DeniedError); !errors.As(err, &denied) || time.Since(began) > fleet.AnswerWithin/2 {
		t.Errorf("a viewer's stop, after %v: %v", time.Since(began), err)
	}
	select {
	case err := <-s.bridge(t, "crawler-8", "culverts/robot-crawler-7"):
		if denied := new(hub.DeniedError); !errors.As(err, &denied) || !strings.Contains(err.Error(), "crawler-8") {
			t.Errorf("a robot under another's name ended with %v", err)
		}
	case <-time.After(time.Minute):
		t.Error("a robot under another's name goes on")
	}
	if status, out, errs := s.run(t, "tunnels/operator-otto", "robots"); status != 0 ||
		out != "ROBOT  CONDITION  AGE  STATE  ALARMS  LATE  FAILED  RULES  BUS  BEHIND  WHAT\n0 robots\n" {
		t.Errorf("another customer sees: status %d, %s%s", status, out, errs)
	}
	_, err = fleet.Order(t.Context(), s.connect(t, "tunnels/operator-otto"), "crawler-7", stop)
	if silent := new(fleet.SilentError); !errors.As(err, &silent) || !silent.Absent {
		t.Errorf("another customer's stop: %v", err)
	}
}

// readers: one that is called like a person is that person's alone; others are everybody's.
func (s *secured) readers(t *testing.T) {
	t.Helper()
	ada, grete := "culverts/viewer-ada", "culverts/operator-grete"
	for _, c := range []struct {
		key, reader string
		status      int
	}{{ada, "ada", 0}, {grete, "ada", 1}, {grete, "grete", 0}, {ada, "grete", 1}, {ada, "archive", 0},
		{grete, "archive", 0}} {
		status, _, errs := s.run(t, c.key, "--timeout", "3s", "events", "--reader", c.reader)
		if status != c.status {
			t.Errorf("reader %s of %s: status %d, %s", c.reader, c.key, status, errs)
		}
	}
	c := s.connect(t, grete)
	for _, ask := range []string{"DELETE.FACET_EVENTS.reader-ada", "MSG.NEXT.FACET_EVENTS.reader-ada",
		"CREATE.FACET_EVENTS.reader-ada.facet.event.*", "DURABLE.CREATE.FACET_EVENTS.reader-ada"} {
		_, err := c.Request(t.Context(), "$JS.API.CONSUMER."+ask, []byte("{}"))
		if denied := new(hub.DeniedError); !errors.As(err, &denied) {
			t.Errorf("%s of another: %v", ask, err)
		}
	}
}

// TestARobotIsForgotten: an operator takes a robot that is silent from the list, a viewer does not, and one that is
// there stays.
func TestARobotIsForgotten(t *testing.T) {
	t.Parallel()
	s := startSecured(t)
	status := encoded(t, &fleetv1.Robot{DaemonAnswers: true})
	for _, robot := range []string{"crawler-7", "crawler-8"} {
		if err := publish(t, s.connect(t, "culverts/robot-"+robot), subject.InBucket(subject.Status, robot),
			status); err != nil {
			t.Fatal(err)
		}
	}
	operator, viewer := s.connect(t, "culverts/operator-grete"), s.connect(t, "culverts/viewer-ada")
	fresh(t, viewer, "crawler-8", time.Time{})
	watched, seen := make(chan string, 10), make(chan struct{})
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		defer close(seen)
		fleet.Watch(ctx, viewer, func(r *fleet.Robot) error {
			if r != nil && r.Forgotten {
				watched <- r.GetName()
			}
			return nil
		})
	}()
	defer func() { cancel(); <-seen }()

	later := time.Now().Add(time.Minute)
	if denied := new(hub.DeniedError); !errors.As(fleet.Forget(t.Context(), viewer, "crawler-8", later), &denied) {
		t.Error("a viewer made the hub forget a robot")
	}
	if code, _, errs := s.run(t, "culverts/operator-grete", "forget", "--robot", "crawler-8"); code != 1 ||
		!strings.Contains(errs, "end its bridge first") {
		t.Errorf("one that is there: status %d, %s", code, errs)
	}
	if err := fleet.Forget(t.Context(), operator, "crawler-8", later); err != nil {
		t.Fatal(err)
	}
	if name := <-watched; name != "crawler-8" {
		t.Errorf("%s was forgotten", name)
	}
	if code, out, _ := s.run(t, "culverts/viewer-ada", "robots"); code != 0 || strings.Contains(out, "crawler-8") ||
		!strings.Contains(out, "crawler-7") {
		t.Errorf("status %d, %s", code, out)
	}
	if code, _, errs := s.run(t, "culverts/operator-grete", "forget", "--robot", "crawler-8"); code != 1 ||
		!strings.Contains(errs, "knows no robot") {
		t.Errorf("once more: status %d, %s", code, errs)
	}
	// It is there again as soon as it says something.
	if err := publish(t, s.connect(t, "culverts/robot-crawler-8"), subject.InBucket(subject.Status, "crawler-8"),
		status); err != nil {
		t.Fatal(err)
	}
	fresh(t, viewer, "crawler-8", time.Time{})
}

// The units that come with the hub and the bridge are what systemd takes, and the user of the hub can read the key of
// its certificate, which a user made for each start cannot.
func TestUnits(t *testing.T) {
	t.Parallel()
	analyze := peertest.Program(t, "systemd-analyze")
	dir := t.TempDir()
	for from, to := range map[string]string{"facetfleet-hub@.service": "facetfleet-hub@hub-1.service",
		"facetfleet-bridge.service": "facetfleet-bridge.service"} {
		text, err := os.ReadFile(filepath.Join("../../deploy/fleet", from))
		if err != nil {
			t.Fatal(err)
		}
		program := regexp.MustCompile(`/usr/bin/(nats-server|facetfleet) `)
		if err := os.WriteFile(filepath.Join(dir, to), program.ReplaceAll(text, []byte("/bin/true ")),
			0o644); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(to, "hub") && (strings.Contains(string(text), "DynamicUser") ||
			!strings.Contains(string(text), "User=facetfleet-hub")) {
			t.Errorf("%s has no user that stays", from)
		}
		out, _ := exec.Command(analyze, "verify", filepath.Join(dir, to)).CombinedOutput()
		for line := range strings.Lines(string(out)) {
			if strings.Contains(line, to) && !strings.Contains(line, "facetd.service") {
				t.Errorf("%s", line)
			}
		}
	}
	user, err := os.ReadFile("../../deploy/fleet/facetfleet-hub.sysusers.conf")
	if err != nil || !strings.Contains(string(user), "\nu facetfleet-hub ") {
		t.Errorf("the user: %s, %v", user, err)
	}
}

// index: a robot puts its own files into the index of recordings and reads those alone; a viewer reads all.
func (s *secured) index(t *testing.T) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for _, robot := range []string{"crawler-7", "crawler-8"} {
		c := s.connect(t, "culverts/robot-"+robot)
		m := nats.NewMsg(subject.InBucket(subject.Recordings, subject.Recording(robot, "a-001.mcap", time.Unix(1, 0))))
		var err error
		if m.Data, err = proto.Marshal(&fleetv1.RecordingFile{File: "a-001.mcap", Key: robot +
			"/1/a-001.mcap"}); err != nil {
			t.Fatal(err)
		}
		if _, err := c.Publish(ctx, m); err != nil {
			t.Fatal(err)
		}
		for range 2 { // a reader that an earlier run left is in nobody's way
			var keys []string
			err = c.Values(ctx, subject.Recordings, subject.RecordingsOf(robot), subject.Key(robot),
				func(key string, _ []byte) error { keys = append(keys, key); return nil })
			if err != nil || len(keys) != 1 || !strings.HasPrefix(keys[0], robot) {
				t.Errorf("%s reads %v of the index, %v", robot, keys, err)
			}
		}
		denied := new(hub.DeniedError)
		for _, of := range []string{"crawler-9.*.*", ">"} {
			err := c.Values(ctx, subject.Recordings, of, subject.Key(robot), func(string, []byte) error { return nil })
			if !errors.As(err, &denied) {
				t.Errorf("%s reads %s of the index: %v", robot, of, err)
			}
		}
		m.Subject = subject.InBucket(subject.Recordings, subject.Recording("crawler-9", "a-001.mcap", time.Unix(1, 0)))
		if _, err := c.Publish(ctx, m); !errors.As(err, &denied) {
			t.Errorf("%s puts another's file into the index: %v", robot, err)
		}
	}
	if status, out, errs := s.run(t, "culverts/viewer-ada", "recordings", "list"); status != 0 ||
		strings.Count(out, "a-001.mcap") != 2 {
		t.Errorf("a viewer's recordings: status %d, %s%s", status, out, errs)
	}
	if status, _, errs := s.run(t, "culverts/viewer-ada", "recordings", "upload", "--robot", "crawler-7", "--recording",
		"a"); status != 1 || !strings.Contains(errs, "facetcmd.operator.crawler-7") {
		t.Errorf("a viewer's upload: status %d, %s", status, errs)
	}
}

// A key that others can read, none, an unknown one and a hub that speaks TLS with an unknown authority are refused.
func TestConnectionsThatAreRefused(t *testing.T) {
	t.Parallel()
	s := startSecured(t)
	open := filepath.Join(t.TempDir(), "open.key")
	seed, err := os.ReadFile(s.key("culverts/viewer-ada"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(open, seed, 0o644); err != nil {
		t.Fatal(err)
	}
	unknown := filepath.Join(t.TempDir(), "unknown.key")
	if _, _, err := keyIn(unknown); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args   []string
		status int
		want   string
	}{
		{[]string{"--hub-key", open, "--hub-ca", s.ca}, cli.StatusUsage, "others can read it"},
		{[]string{"--hub-ca", s.ca}, cli.StatusFailed, "does not know the key"},
		{[]string{"--hub-key", unknown, "--hub-ca", s.ca}, cli.StatusFailed, "does not know the key"},
		{[]string{"--hub-key", s.key("culverts/viewer-ada")}, cli.StatusFailed, "certificate"},
	} {
		if status, _, errs := run(t, s.url, append(c.args, "robots")...); status != c.status ||
			!strings.Contains(errs, c.want) {
			t.Errorf("%v: status %d, %s", c.args, status, errs)
		}
	}
}

// Nodes on several machines know each other by certificates, or by nothing.
func TestRoutesWithoutCertificates(t *testing.T) {
	file := filepath.Join(t.TempDir(), "fleet.yaml")
	describe := func(host, tls string) string {
		text := "store: /x\nstore_bytes: 100000000\ncustomers: [{name: c, bytes: 50000000}]\n" + tls + "nodes:\n"
		for i := range 3 {
			text += fmt.Sprintf("  - {name: n%d, listen: \"%s:422%d\", route: \"%s:622%d\"}\n", i, host, i, host, i)
		}
		return text
	}
	for _, c := range []struct {
		text   string
		status int
	}{{describe("127.0.0.1", ""), 0}, {describe("10.0.0.7", ""), 1},
		{describe("10.0.0.7", "tls: {cert: a, key: b, ca: c}\n"), 0}} {
		if err := os.WriteFile(file, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		status, _, errs := run(t, "", "hub-config", file, "--out", t.TempDir())
		if status != c.status || status == 1 && strings.Count(errs, "would be taken for a node") != 3 {
			t.Errorf("status %d of\n%s\n%s", status, c.text, errs)
		}
	}
}

// All that is wrong with a description is told at once, with its place.
func TestDescriptionsThatAreWrong(t *testing.T) {
	file := filepath.Join(t.TempDir(), "fleet.yaml")
	text := "nodes: [{name: a.b, listen: here}, {name: b}]\ncustomers:\n  - {name: x, bytes: 1, robots: [r, " +
		"r]}\nstorage: 3\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	status, _, errs := run(t, "", "hub-config", file, "--out", t.TempDir())
	for _, want := range []string{"a hub of 2 nodes", `the name "a.b"`, `the address "here"`, "no folder", "1 bytes",
		`the name "r"`, "storage"} {
		if status != 1 || !strings.Contains(errs, want) {
			t.Errorf("status %d; %q is not in\n%s", status, want, errs)
		}
	}
}
