package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/api/peertest"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/natstest"
	"facetd.example/clients/facetfleet/internal/subject"
	"facetd.example/clients/go/facet"
)

// group is robots with real daemons and bridges: a few in memory, or twenty processes.
func group(t *testing.T, c *hub.Conn, url string) (names []string, daemons map[string]*facet.Client) {
	t.Helper()
	daemons = map[string]*facet.Client{}
	for i := range peertest.Cases(3, 20) {
		name := fmt.Sprintf("robot-%02d", i)
		if peertest.All() {
			daemons[name] = startProcess(t, "--tasks", "none").Client
		} else {
			daemons[name] = demoDaemon(t)
		}
		names = append(names, name)
		startBridge(t, daemons[name], name, url)
	}
	for _, name := range names {
		fresh(t, c, name, time.Time{})
	}
	return names, daemons
}

// taskNames are the tasks that a daemon runs.
func taskNames(t *testing.T, daemon *facet.Client) string {
	t.Helper()
	tasks, err := daemon.Tasks(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, task := range tasks {
		all = append(all, task.GetTask().GetName())
	}
	return strings.Join(all, " ")
}

// words are the fates of robots, by name.
func words(fates []*fleet.Fate) map[string]string {
	by := map[string]string{}
	for _, f := range fates {
		by[f.Robot] = f.Word()
	}
	return by
}

// TestAGroupChange: over all robots, or over none: one that refuses, one that is absent and one whose tasks change in
// the middle are each told, and nothing is changed anywhere.
func TestAGroupChange(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	names, daemons := group(t, c, server.URL)
	last := names[len(names)-1]
	want := fleet.ApplyOptions{Robots: names, Tasks: &fleetv1.DesiredTasks{Tasks: []*facetdv1.Task{demoTask("night")}}}
	unchanged := func(what string) {
		t.Helper()
		for name, daemon := range daemons {
			if got := strings.ReplaceAll(taskNames(t, daemon), "taken", ""); strings.Contains(got, "night") {
				t.Errorf("%s: %s runs %q", what, name, got)
			}
		}
	}

	// A refusal: on one robot all of the bus is taken.
	hog := &facetdv1.Task{Name: "taken", Target: facet.Chips("bow-comb"), RateHz: 300}
	for ; ; hog.RateHz *= 0.8 {
		if _, err := daemons[last].AddTask(t.Context(), hog); err == nil {
			break
		}
	}
	busy := want
	busy.Tasks = &fleetv1.DesiredTasks{Tasks: []*facetdv1.Task{{Name: "night", Target: facet.Chips("bow-comb"),
		RateHz: hog.GetRateHz()}}}
	fates, done := fleet.Apply(t.Context(), c, busy)
	for name, word := range words(fates) {
		if want := map[bool]string{true: "refused", false: "unchanged"}[name == last]; word != want || done {
			t.Errorf("with a refusal %s is %s, want %s", name, word, want)
		}
	}
	unchanged("with a refusal")
	if err := daemons[last].RemoveTask(t.Context(), "taken"); err != nil {
		t.Fatal(err)
	}

	// An absent robot.
	absent := want
	absent.Robots = append([]string{"nobody"}, names...)
	fates, done = fleet.Apply(t.Context(), c, absent)
	if w := words(fates); w["nobody"] != "unknown" || w[last] != "unchanged" || done {
		t.Errorf("with an absent robot: %v", w)
	}
	unchanged("with an absent robot")

	// A race: somebody changes the tasks of one robot after it has prepared.
	race(t, c, "racer", last, func() { makeEvents(t, daemons[last], 1) })
	racing := want
	racing.Robots = append([]string{"racer"}, names[:len(names)-1]...)
	fates, done = fleet.Apply(t.Context(), c, racing)
	if w := words(fates); w["racer"] != "refused" || w[names[0]] != "unchanged" || done {
		t.Errorf("with a race: %v", w)
	}
	unchanged("with a race")

	// All of them, and the absent one left out.
	absent.WithoutAbsent = true
	fates, done = fleet.Apply(t.Context(), c, absent)
	if w := words(fates); w["nobody"] != "unknown" || w[last] != "committed" || done {
		t.Errorf("without the absent robot: %v", w)
	}
	for name, daemon := range daemons {
		if got := taskNames(t, daemon); got != "night" {
			t.Errorf("%s runs %q", name, got)
		}
	}
	// Once more: it is so already.
	if fates, done = fleet.Apply(t.Context(), c, want); !done {
		t.Errorf("again: %v: %s", words(fates), fates[0].Message)
	}
}

// race puts a robot before another: it passes all commands on, and does something before each commit.
func race(t *testing.T, c *hub.Conn, name, behind string, before func()) {
	t.Helper()
	s, err := c.NC.Subscribe(subject.ForOperators(name), func(m *nats.Msg) {
		command := &fleetv1.Command{}
		if err := proto.Unmarshal(m.Data, command); err != nil {
			t.Error(err)
		}
		if command.GetCommit() != nil {
			before()
		}
		r, err := c.NC.Request(subject.ForOperators(behind), m.Data, fleet.AnswerWithin)
		if err != nil {
			t.Error(err)
			return
		}
		if err := m.Respond(r.Data); err != nil {
			t.Error(err)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Unsubscribe() })
}

// TestChangesInWaves: robots make what the hub has for them, also one that comes later; a refusal stops the waves.
func TestChangesInWaves(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	names, daemons := group(t, c, server.URL)
	file := filepath.Join(t.TempDir(), "night.yaml")
	text := "tasks:\n  - {name: night, target: {list: {names: [bow-comb]}}, rate_hz: 0.5}\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	status, out, errs := run(t, server.URL, "apply", "--all", "--desired", "--wave", "1", "--wave", "100", file)
	if status != 0 || strings.Count(out, "committed") != len(names)+1 || strings.Count(errs, "wave ") != 2 {
		t.Fatalf("status %d\n%s%s", status, out, errs)
	}
	for _, name := range names {
		if got := taskNames(t, daemons[name]); got != "night" {
			t.Errorf("%s runs %q", name, got)
		}
	}

	// One that is away makes it when it comes; until then it is unknown.
	status, out, errs = run(t, server.URL, "apply", "--robot", "late", "--desired", "--patience", "200ms", file)
	if status != 1 || !strings.Contains(out, "late   unknown") {
		t.Errorf("status %d\n%s%s", status, out, errs)
	}
	daemon := demoDaemon(t)
	startBridge(t, daemon, "late", server.URL)
	natstest.Wait(t, "what was desired while it was away", func() error {
		r := fresh(t, c, "late", time.Time{})
		if r.GetOutcome().GetState() != fleetv1.ChangeState_CHANGE_STATE_COMMITTED {
			return fmt.Errorf("%v", r.GetOutcome())
		}
		return nil
	})
	if got := taskNames(t, daemon); got != "night" {
		t.Errorf("late runs %q", got)
	}

	// The first refusal stops the waves.
	bad := strings.Replace(text, "bow-comb", "none-such", 1)
	if err := os.WriteFile(file, []byte(strings.Replace(bad, "name: night", "name: dawn", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	status, out, errs = run(t, server.URL, "apply", "--all", "--desired", "--wave", "1", file)
	if status != 1 || strings.Count(out, "refused") != 2 || strings.Count(errs, "wave ") != 1 ||
		!strings.Contains(out, "it was not asked") {
		t.Errorf("status %d\n%s%s", status, out, errs)
	}
}

// TestTheHubKilledAmidAGroupChange: one robot has made the change when the hub is killed and the change interrupted;
// once there is a hub again the robot takes it back.
func TestTheHubKilledAmidAGroupChange(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := demoDaemon(t)
	startBridge(t, daemon, "maker", server.URL)
	fresh(t, c, "maker", time.Time{})
	ctx, interrupt := context.WithCancel(t.Context())
	defer interrupt()
	killed := make(chan struct{})
	answers := func(m *nats.Msg) {
		command := &fleetv1.Command{}
		if err := proto.Unmarshal(m.Data, command); err != nil {
			t.Error(err)
		}
		change := &fleetv1.Change{State: fleetv1.ChangeState_CHANGE_STATE_PREPARED}
		switch {
		case command.GetCommit() != nil:
			natstest.Wait(t, "the change of the other robot", func() error {
				if got := taskNames(t, daemon); got != "night" {
					return fmt.Errorf("it runs %q", got)
				}
				return nil
			})
			server.Kill()
			interrupt()
			close(killed)
			return
		case command.GetUndo() != nil:
			change.State = fleetv1.ChangeState_CHANGE_STATE_UNDONE
		}
		if data, err := proto.Marshal(&fleetv1.Answer{What: &fleetv1.Answer_Change{Change: change}}); err != nil {
			t.Error(err)
		} else if err := m.Respond(data); err != nil {
			t.Log(err)
		}
	}
	s, err := connectTo(t, server.URL).NC.Subscribe(subject.ForOperators("killer"), answers)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Unsubscribe() })
	natstest.Wait(t, "the robot that answers nothing", func() error {
		_, err := fleet.Order(t.Context(), c, "killer", &fleetv1.Command{})
		return err
	})
	back := make(chan struct{})
	go func() {
		defer close(back)
		<-killed
		natstest.Wait(t, "the loss of the hub", func() error {
			if c.NC.IsConnected() {
				return fmt.Errorf("it is connected")
			}
			return nil
		})
		server.Run()
	}()
	fates, done := fleet.Apply(ctx, c, fleet.ApplyOptions{Robots: []string{"maker", "killer"},
		Tasks: &fleetv1.DesiredTasks{Tasks: []*facetdv1.Task{demoTask("night")}}})
	<-back
	if w := words(fates); w["maker"] != "unchanged" || done {
		t.Errorf("%v: %s", w, fates[0].Message)
	}
	if got := taskNames(t, daemon); got != "" {
		t.Errorf("it runs %q", got)
	}
}

// TestAnInterruptedChange: it is taken back where it was made, and is no good end of the command.
func TestAnInterruptedChange(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := demoDaemon(t)
	startBridge(t, daemon, "maker", server.URL)
	fresh(t, c, "maker", time.Time{})
	ctx, interrupt := context.WithCancel(t.Context())
	defer interrupt()
	race(t, c, "racer", "maker", interrupt)
	file := filepath.Join(t.TempDir(), "night.yaml")
	text := "tasks:\n  - {name: night, target: {list: {names: [bow-comb]}}, rate_hz: 0.5}\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	a := &app{env: func(string) string { return "" }}
	status := cli.Execute(ctx, newRoot(a), []string{"--hub", server.URL, "apply", "--robot", "racer", file},
		strings.NewReader(""), &out, &errs)
	if status != cli.StatusFailed || !strings.Contains(out.String(), "unchanged") {
		t.Errorf("status %d\n%s%s", status, &out, &errs)
	}
	if got := taskNames(t, daemon); got != "" {
		t.Errorf("it runs %q", got)
	}
}
