package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/clients/facetfleet/internal/bridge"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/natstest"
	"facetd.example/clients/go/facet"
	"facetd.example/clients/go/facettest"
)

// parallelUnlessTimed lets a test run beside others, unless what it times is judged, as in the long run.
func parallelUnlessTimed(t *testing.T) {
	if !peertest.All() {
		t.Parallel()
	}
}

// connectTo connects a test to a hub.
func connectTo(t testing.TB, urls ...string) *hub.Conn {
	t.Helper()
	c, err := hub.Connect(hub.Options{URLs: urls, Name: t.Name(), Wait: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

// limits of tests are small: several hubs share a disk.
func testLimits(replicas int) hub.Limits {
	return hub.Limits{Replicas: replicas, EventBytes: 64 << 20, EventsPerRobot: 100_000, EventAge: time.Hour,
		BucketBytes: 16 << 20}
}

// prepareHub makes the streams and returns a connection past any link.
func prepareHub(t testing.TB, replicas int, urls ...string) *hub.Conn {
	t.Helper()
	c := connectTo(t, urls...)
	natstest.Wait(t, "streams", func() error { return c.CreateStreams(t.Context(), testLimits(replicas)) })
	return c
}

// startBridge runs a bridge until the test ends or stop is called.
func startBridge(t testing.TB, daemon *facet.Client, robot string, urls ...string) (stop func()) {
	t.Helper()
	return startBridgeWith(t, bridge.Config{Robot: robot, Daemon: daemon, Desired: 200 * time.Millisecond}, urls...)
}

func startBridgeWith(t testing.TB, cfg bridge.Config, urls ...string) (stop func()) {
	t.Helper()
	var err error
	if cfg.Hub, err = hub.Connect(hub.Options{URLs: urls, Name: cfg.Robot, Wait: true}); err != nil {
		t.Fatal(err)
	}
	b, err := bridge.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	ended := false
	stop = func() {
		if ended {
			return
		}
		ended = true
		cancel()
		if err := <-done; err != nil {
			t.Errorf("the bridge of %s ended with %v", cfg.Robot, err)
		}
		cfg.Hub.Close()
	}
	t.Cleanup(stop)
	return stop
}

// demoTask is a task of the demo's array that can be added beside others.
func demoTask(name string) *facetdv1.Task {
	return &facetdv1.Task{Name: name, Target: facet.Chips("bow-comb"), RateHz: 0.5}
}

// pairsTask is a task whose jobs have two frames of the chip.
func pairsTask(name string) *facetdv1.Task {
	t := demoTask(name)
	t.PairInterval = durationpb.New(20 * time.Millisecond)
	return t
}

// makeEvents adds and removes a task, which are two events, n times.
func makeEvents(t testing.TB, daemon *facet.Client, n int) {
	t.Helper()
	for i := range n {
		name := fmt.Sprintf("extra-%d", i)
		if _, err := daemon.AddTask(t.Context(), demoTask(name)); err != nil {
			t.Fatal(err)
		}
		if err := daemon.RemoveTask(t.Context(), name); err != nil {
			t.Fatal(err)
		}
	}
}

// journal is all events of a daemon.
func journal(t testing.TB, daemon *facet.Client) (events []*facetdv1.Event) {
	t.Helper()
	c := facetdv1.NewEventServiceClient(daemon.Conn())
	r := &facetdv1.ListEventsRequest{AfterSequence: proto.Uint64(0), PageSize: 1000}
	for {
		page, err := c.ListEvents(t.Context(), r)
		if err != nil {
			t.Fatal(err)
		}
		if len(page.GetEvents()) == 0 {
			return events
		}
		events = append(events, page.GetEvents()...)
		r.JournalId, *r.AfterSequence = page.GetJournalId(), events[len(events)-1].GetSequence()
	}
}

// atHub is all that the hub has of a robot.
func atHub(t testing.TB, c *hub.Conn, robot string) (events []*fleet.Event, err error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	err = fleet.Events(ctx, c, fleet.EventOptions{Robot: robot}, func(e *fleet.Event) error {
		events = append(events, e)
		return nil
	})
	return events, err
}

// whole waits until the hub has every event of a journal, and fails where one is there twice, in another order or
// changed, or where a gap is told. It returns how long it took.
func whole(t testing.TB, c *hub.Conn, robot string, daemon *facet.Client) time.Duration {
	t.Helper()
	began := time.Now()
	want := journal(t, daemon)
	natstest.Wait(t, "events at the hub", func() error {
		got, err := atHub(t, c, robot)
		if err != nil {
			return err
		}
		for i, e := range got {
			if i >= len(want) || !proto.Equal(e.GetEvent(), want[i]) {
				t.Fatalf("message %d of %s at the hub is %v; the journal has %d events", i, robot, e.RobotEvent,
					len(want))
			}
		}
		if len(got) < len(want) {
			return fmt.Errorf("%d of %d", len(got), len(want))
		}
		return nil
	})
	return time.Since(began)
}

// fresh waits until the hub has a status that was stored after an instant, and returns it.
func fresh(t testing.TB, c *hub.Conn, robot string, since time.Time) *fleet.Robot {
	t.Helper()
	var found *fleet.Robot
	natstest.Wait(t, "status of "+robot, func() error {
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		all, err := fleet.Robots(ctx, c)
		if err != nil {
			return err
		}
		for _, r := range all {
			if r.GetName() == robot && r.Stored.After(since) {
				found = r
				return nil
			}
		}
		return errors.New("none yet")
	})
	return found
}

// demoDaemon is a daemon in memory that runs the demo's array without tasks, in virtual time.
func demoDaemon(t testing.TB) *facet.Client {
	t.Helper()
	return facettest.Start(t, facettest.Demo, facettest.None)
}

// run runs a command line in this process.
func run(t testing.TB, url string, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	a := &app{env: func(name string) string {
		if name == "FACETFLEET_HUB" {
			return url
		}
		return ""
	}}
	status = cli.Execute(t.Context(), newRoot(a), args, strings.NewReader(""), &out, &errs)
	return status, out.String(), errs.String()
}
