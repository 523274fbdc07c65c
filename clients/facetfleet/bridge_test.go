package main

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"

	"facetd.example/api/cli/clitest"
	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/natstest"
	"facetd.example/clients/facetfleet/internal/subject"
)

func leaderOf(t *testing.T, c *hub.Conn) string {
	t.Helper()
	s, err := c.JS.Stream(t.Context(), subject.Events)
	if err != nil {
		t.Fatal(err)
	}
	info, err := s.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return info.Cluster.Leader
}

// A bridge that is started anew goes on behind what the hub has, also where the hub has discarded all of the robot's
// events since; a name that means something in subjects is a name like any other.
func TestABridgeStartedAnewGoesOn(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := demoDaemon(t)
	const robot = "a.*.>"
	stop := startBridge(t, daemon, robot, server.URL)
	makeEvents(t, daemon, 2)
	whole(t, c, robot, daemon)
	fresh(t, c, robot, time.Now().Add(time.Second))
	stop()
	makeEvents(t, daemon, 2)
	stop = startBridge(t, daemon, robot, server.URL)
	whole(t, c, robot, daemon)
	fresh(t, c, robot, time.Now().Add(time.Second)) // one that says that all is published
	stop()

	had := len(journal(t, daemon))
	if err := c.JS.DeleteStream(t.Context(), subject.Events); err != nil {
		t.Fatal(err)
	}
	if err := c.CreateStreams(t.Context(), testLimits(1)); err != nil {
		t.Fatal(err)
	}
	makeEvents(t, daemon, 1)
	startBridge(t, daemon, robot, server.URL)
	natstest.Wait(t, "new events alone", func() error {
		got, err := atHub(t, c, robot)
		if err != nil || len(got) < 2 {
			return orLater(err)
		}
		for i, e := range got {
			if e.GetEvent().GetSequence() != uint64(had+i+1) {
				t.Fatalf("event %d is %v; the hub had %d", i, e.RobotEvent, had)
			}
		}
		return nil
	})
}

// orLater is an error, or that what is waited for has not come yet.
func orLater(err error) error {
	if err != nil {
		return err
	}
	return errors.New("not yet")
}

// Two bridges under one name cannot make events come twice or out of order.
func TestTwoBridgesOfOneName(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := demoDaemon(t)
	startBridge(t, daemon, "twin", server.URL)
	startBridge(t, daemon, "twin", server.URL)
	makeEvents(t, daemon, 20)
	whole(t, c, "twin", daemon)
}

// The commands show what the hub has: with its age, and JSON that a program can read.
func TestCommandsShowRobotsAndEvents(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := demoDaemon(t)
	startBridge(t, daemon, "crawler", server.URL)
	makeEvents(t, daemon, 2)
	whole(t, c, "crawler", daemon)
	put(t, c, &fleetv1.Robot{Name: "lost", DaemonAnswers: true, State: facetdv1.State_STATE_FAULT,
		Reason: "the bus hangs"})

	status, out, errs := run(t, server.URL, "robots")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if status != 0 || len(lines) != 4 || !strings.HasPrefix(lines[1], "lost") || !strings.Contains(lines[1], "fault") ||
		!strings.Contains(lines[1], "the bus hangs") || !strings.HasPrefix(lines[2], "crawler") ||
		!strings.HasPrefix(lines[3], "2 robots, 1 fault") {
		t.Errorf("robots: status %d\n%s%s", status, out, errs)
	}
	status, out, _ = run(t, server.URL, "robots", "--output", "json")
	var all struct {
		Robots []struct {
			Name, Condition string
			Age             float64 `json:"age_seconds"`
			Status          map[string]any
		}
	}
	if err := json.Unmarshal([]byte(out), &all); err != nil || status != 0 || len(all.Robots) != 2 ||
		all.Robots[0].Condition != "fault" || all.Robots[0].Age < 0 ||
		all.Robots[1].Status["array"] != "culvert-crawler" {
		t.Errorf("robots in JSON: status %d, %v: %s", status, err, out)
	}
	if status, out, errs = run(t, server.URL, "events", "--count", "2"); status != 0 ||
		strings.Count(out, "\n") != 2 || !strings.Contains(out, "crawler  info     task extra-1 removed") {
		t.Errorf("events: status %d\n%s%s", status, out, errs)
	}
	// A reader that the hub remembers gets every event once.
	want := len(journal(t, daemon))
	for i, n := range []int{want, 0} {
		if status, out, errs = run(t, server.URL, "events", "--reader", "archive", "--output", "json"); status != 0 ||
			strings.Count(out, "\n") != n {
			t.Errorf("reading for the %d. time: status %d, %d lines, want %d\n%s", i+1, status,
				strings.Count(out, "\n"), n,
				errs)
		}
	}
}

// put stores a status as a bridge would.
func put(t *testing.T, c *hub.Conn, r *fleetv1.Robot) {
	t.Helper()
	data, err := proto.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	m := nats.NewMsg(subject.InBucket(subject.Status, subject.Key(r.GetName())))
	m.Data = data
	if _, err := c.Publish(t.Context(), m); err != nil {
		t.Fatal(err)
	}
}

// A hub without streams says what to do; a hub that is away is an error and no wait.
func TestCommandsSayWhatIsWrong(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	for _, c := range []struct {
		url, want string
		args      []string
	}{
		{server.URL, "hub-streams", []string{"robots"}},
		{server.URL, "hub-streams", []string{"events"}},
		{"nats://127.0.0.1:1", "is the hub running?", []string{"robots"}},
	} {
		status, _, errs := run(t, c.url, c.args...)
		if status != 1 || !strings.Contains(errs, c.want) {
			t.Errorf("%v: status %d, %s", c.args, status, errs)
		}
	}
}

// What the journal no longer has is told as a gap with its exact size.
func TestAGapIsCounted(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := demoDaemon(t)
	stop := startBridge(t, daemon, "crawler", server.URL)
	makeEvents(t, daemon, 1)
	whole(t, c, "crawler", daemon)
	stop()
	const pairs = 550 // more than a journal in memory holds
	makeEvents(t, daemon, pairs)
	had := journal(t, daemon)
	startBridge(t, daemon, "crawler", server.URL)
	var got []*fleet.Event
	natstest.Wait(t, "the newest event", func() error {
		var err error
		if got, err = atHub(t, c, "crawler"); err != nil ||
			got[len(got)-1].GetEvent().GetSequence() < had[len(had)-1].GetSequence() {
			return orLater(err)
		}
		return nil
	})
	last, lacking, gaps := uint64(0), uint64(0), 0
	for _, e := range got {
		if g := e.GetGap(); g != nil {
			if !g.GetExact() || g.GetAfterSequence() != last || g.GetBeforeSequence() != last+g.GetEvents()+1 {
				t.Errorf("after event %d: %v", last, g)
			}
			lacking, gaps, last = lacking+g.GetEvents(), gaps+1, g.GetBeforeSequence()-1
			continue
		}
		if e.GetEvent().GetSequence() != last+1 {
			t.Fatalf("event %d comes after %d", e.GetEvent().GetSequence(), last)
		}
		last++
	}
	if want := had[0].GetSequence() - 1 - 3; gaps != 1 || lacking != want {
		t.Errorf("%d gaps of %d events; the journal begins with %d", gaps, lacking, had[0].GetSequence())
	}
}

func TestEveryCommandHasHelpWithAnExample(t *testing.T) {
	clitest.Help(t, newRoot(&app{env: func(string) string { return "" }}))
}
