package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/natstest"
	"facetd.example/clients/facetfleet/internal/subject"
)

// simulateRobots answers for robots what is desired of them: those that refuse do, one that is mute says nothing.
func simulateRobots(t *testing.T, c *hub.Conn, refuses func(robot string) bool, mute string) {
	t.Helper()
	bucket, err := c.JS.KeyValue(t.Context(), subject.Desired)
	if err != nil {
		t.Fatal(err)
	}
	w, err := bucket.WatchAll(t.Context(), jetstream.UpdatesOnly())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-ctx.Done():
				return
			case entry := <-w.Updates():
				if entry == nil || entry.Key() == mute {
					continue
				}
				d := &fleetv1.Desired{}
				if err := proto.Unmarshal(entry.Value(), d); err != nil {
					t.Error(err)
				}
				o := &fleetv1.Outcome{ChangeId: d.GetChangeId(), State: fleetv1.ChangeState_CHANGE_STATE_COMMITTED}
				if refuses(entry.Key()) {
					o.State, o.Message = fleetv1.ChangeState_CHANGE_STATE_REFUSED, "it does not fit"
				}
				data, err := proto.Marshal(&fleetv1.Robot{DaemonAnswers: true, Outcome: o})
				if err != nil {
					t.Error(err)
				}
				if err := publish(t, c, subject.InBucket(subject.Status, entry.Key()), data); err != nil &&
					ctx.Err() == nil {
					t.Error(err)
				}
			}
		}
	}()
	t.Cleanup(func() { cancel(); <-done; w.Stop() })
}

// TestWavesOfManyRobots: above a hundred robots a change for all goes in waves by itself, 1, 10, 100 and the rest; a
// refusal in the third ends it there, and a robot that says nothing is unknown and stops nobody.
func TestWavesOfManyRobots(t *testing.T) {
	t.Parallel()
	const n = 250
	file := filepath.Join(t.TempDir(), "night.yaml")
	text := "tasks:\n  - {name: night, target: {list: {names: [bow-comb]}}, rate_hz: 0.5}\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, mute string
		refuses    func(string) bool
		status     int
		waves      int
		words      map[string]int
	}{
		{"all", "", func(string) bool { return false }, 0, 5, map[string]int{"committed": n}},
		{"one refuses", "", func(robot string) bool { return robot == "robot-0050" }, 1, 3,
			map[string]int{"committed": 110, "refused": 1, "it was not asked": n - 111}},
		{"one is mute", "robot-0005", func(string) bool { return false }, 1, 5,
			map[string]int{"committed": n - 1, "unknown": 1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			server, conn := manyHub(t, n)
			simulateRobots(t, conn, c.refuses, c.mute)
			patience := "60s" // a busy machine makes no wave late
			if c.mute != "" {
				patience = "4s"
			}
			status, out, errs := run(t, server, "apply", "--all", "--patience", patience, file)
			if status != c.status || strings.Count(errs, "wave ") != c.waves {
				t.Errorf("status %d\n%.600s\n%s", status, out, errs)
			}
			for word, want := range c.words {
				lines := 0
				for line := range strings.Lines(out) {
					if strings.HasPrefix(line, "robot-") && strings.Contains(line, word) {
						lines++
					}
				}
				if lines != want {
					t.Errorf("%d robots %s, want %d", lines, word, want)
				}
			}
		})
	}
}

// manyHub is a hub that knows n robots.
func manyHub(t *testing.T, n int) (url string, c *hub.Conn) {
	t.Helper()
	server := natstest.Start(t).URL
	c = prepareHub(t, 1, server)
	for i := range n {
		data := encoded(t, &fleetv1.Robot{DaemonAnswers: true})
		if _, err := c.JS.PublishAsync(subject.InBucket(subject.Status, fmt.Sprintf("robot-%04d", i)),
			data); err != nil {
			t.Fatal(err)
		}
	}
	<-c.JS.PublishAsyncComplete()
	return server, c
}
