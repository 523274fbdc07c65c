package main

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/natstest"
	"facetd.example/clients/facetfleet/internal/subject"
)

// publish stores a message at the hub, whatever is in it.
func publish(t *testing.T, c *hub.Conn, to string, data []byte, header ...string) error {
	t.Helper()
	m := nats.NewMsg(to)
	m.Data = data
	for i := 0; i < len(header); i += 2 {
		m.Header.Set(header[i], header[i+1])
	}
	_, err := c.Publish(t.Context(), m)
	return err
}

func encoded(t *testing.T, m proto.Message) []byte {
	t.Helper()
	data, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// TestARobotThatSaysAnything: one robot's status or events that nobody can read are told of that robot, and hide
// nothing of the others, neither from the commands nor on the page.
func TestARobotThatSaysAnything(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	never := &timestamppb.Timestamp{Seconds: math.MaxInt64}
	for name, data := range map[string][]byte{
		"garbage": []byte("\xff\xff no message"),
		"nan":     encoded(t, &fleetv1.Robot{Utilization: math.NaN()}),
		"never":   encoded(t, &fleetv1.Robot{Time: never}),
		"outcome": encoded(t, &fleetv1.Robot{Outcome: &fleetv1.Outcome{Time: never}}),
		"good":    encoded(t, &fleetv1.Robot{DaemonAnswers: true, Summary: "19 of 19 chips good"}),
	} {
		if err := publish(t, c, subject.InBucket(subject.Status, subject.Key(name)), data); err != nil {
			t.Fatal(err)
		}
	}
	for _, data := range [][]byte{[]byte("\xff\xff no message"),
		encoded(t, &fleetv1.RobotEvent{What: &fleetv1.RobotEvent_Gap{Gap: &fleetv1.EventGap{Time: never}}}),
		encoded(t, &fleetv1.RobotEvent{What: &fleetv1.RobotEvent_Event{Event: &facetdv1.Event{Time: never}}}),
		nil,
	} {
		if err := publish(t, c, subject.Event("garbage"), data); err != nil {
			t.Fatal(err)
		}
	}
	if err := publish(t, c, "facet.event.=zz", nil); err != nil { // no name of a robot
		t.Fatal(err)
	}
	if err := publish(t, c, subject.Event("good"), encoded(t, &fleetv1.RobotEvent{What: &fleetv1.RobotEvent_Event{
		Event: &facetdv1.Event{Text: "the last of them", Severity: facetdv1.Severity_SEVERITY_INFO,
			Time: timestamppb.Now()}}})); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"robots"}, {"robots", "--output", "json"}, {"events"},
		{"events", "--output", "json"}, {"events", "--reader", "archive"}} {
		status, out, errs := run(t, server.URL, args...)
		want := map[bool]string{true: "19 of 19 chips good", false: "the last of them"}[args[0] == "robots"]
		if status != 0 || !strings.Contains(out, want) || !strings.Contains(out, "cannot be read") {
			t.Errorf("%v: status %d\n%s%s", args, status, out, errs)
		}
	}
	base := startCommand(t, server.URL, pageAt, "page", "--listen", "127.0.0.1:0")
	natstest.Wait(t, "all robots on the page", func() error {
		robots, events := changesOf(t, base)
		if len(robots) != 5 || len(events) != 6 {
			return fmt.Errorf("%d robots, %d events", len(robots), len(events))
		}
		if events[5]["text"] != "the last of them" {
			t.Errorf("the last event is %v", events[5])
		}
		return nil
	})
}

// TestOneRobotCannotRemoveWhatAnotherSaid: a message may ask the hub to forget all that came before it; that of a
// robot's key must not be heard.
func TestOneRobotCannotRemoveWhatAnotherSaid(t *testing.T) {
	t.Parallel()
	s := startSecured(t)
	robot := encoded(t, &fleetv1.Robot{DaemonAnswers: true})
	if err := publish(t, s.connect(t, "culverts/robot-crawler-8"),
		subject.InBucket(subject.Status, "crawler-8"), robot); err != nil {
		t.Fatal(err)
	}
	if err := publish(t, s.connect(t, "culverts/robot-crawler-7"), subject.InBucket(subject.Status, "crawler-7"),
		robot, "Nats-Rollup", "all"); err == nil {
		t.Error("the hub took a message that removes all others")
	}
	fresh(t, s.connect(t, "culverts/viewer-ada"), "crawler-8", time.Time{})
}

// TestAViewerCannotSpeakAsARobot: an answer goes to an inbox and nowhere else, wherever a question wants it; and the
// keeper of a customer's streams does not read them.
func TestAViewerCannotSpeakAsARobot(t *testing.T) {
	t.Parallel()
	s := startSecured(t)
	s.bridge(t, "crawler-7", "culverts/robot-crawler-7")
	viewer := s.connect(t, "culverts/viewer-ada")
	first := fresh(t, viewer, "crawler-7", time.Time{})
	question := encoded(t, &fleetv1.Command{What: &fleetv1.Command_ListTasks{ListTasks: &facetdv1.ListTasksRequest{}}})
	to := subject.InBucket(subject.Status, "crawler-7")
	if err := viewer.NC.PublishRequest(subject.ForViewers("crawler-7"), to, question); err != nil {
		t.Fatal(err)
	}
	// One after it is answered, and by then the hub has what the first one led to.
	if _, err := fleet.Ask(t.Context(), viewer, "crawler-7", &fleetv1.Command{What: &fleetv1.Command_ListTasks{
		ListTasks: &facetdv1.ListTasksRequest{}}}); err != nil {
		t.Fatal(err)
	}
	later := fresh(t, viewer, "crawler-7", first.Stored)
	if later.GetBridge() == nil || later.GetBridge().GetCommands() > 1 {
		t.Errorf("the status is %v", later.Robot)
	}
	for _, of := range []string{subject.Newest(subject.Events, subject.Event("crawler-7")),
		subject.Newest(subject.BucketStream(subject.Status), to)} {
		_, err := s.connect(t, "culverts/keeper-hub").Newest(t.Context(), of)
		if denied := new(hub.DeniedError); !errors.As(err, &denied) {
			t.Errorf("the keeper reads %s: %v", of, err)
		}
	}
}

// TestALeaseEndsWhenItsTaskIsGone: it does not keep the frames of other readers waiting until its time is over.
func TestALeaseEndsWhenItsTaskIsGone(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := demoDaemon(t)
	startBridge(t, daemon, "crawler", server.URL)
	fresh(t, c, "crawler", time.Time{})
	if _, err := daemon.AddTask(t.Context(), demoTask("gone")); err != nil {
		t.Fatal(err)
	}
	m := &fleetv1.LeaseFrames{LeaseId: "one", Tasks: []string{"gone"}, Duration: durationpb.New(time.Minute)}
	ask := func() error {
		_, err := fleet.Ask(t.Context(), c, "crawler", &fleetv1.Command{What: &fleetv1.Command_LeaseFrames{
			LeaseFrames: m}})
		return err
	}
	if err := ask(); err != nil {
		t.Fatal(err)
	}
	if err := daemon.RemoveTask(t.Context(), "gone"); err != nil {
		t.Fatal(err)
	}
	if err := ask(); err == nil {
		t.Error("a lease on a task that is gone is renewed")
	}
	if m.Duration = durationpb.New(0); ask() != nil {
		t.Errorf("the lease does not end: %v", ask())
	}
}
