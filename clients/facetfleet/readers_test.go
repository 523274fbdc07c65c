package main

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/api/peertest"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/natstest"
	"facetd.example/clients/facetfleet/internal/subject"
)

// reading is somebody who follows events.
type reading struct {
	mu  sync.Mutex
	got []uint64 // numbers of events in the robot's journal
}

func (r *reading) take(e *fleet.Event) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.got = append(r.got, e.GetEvent().GetSequence())
	return nil
}

// awaits waits until all events up to a number have come, once and in order, and returns how long it took.
func (r *reading) awaits(t *testing.T, n uint64) time.Duration {
	t.Helper()
	began := time.Now()
	natstest.Wait(t, "events", func() error {
		r.mu.Lock()
		defer r.mu.Unlock()
		for i, number := range r.got {
			if number != uint64(i+1) {
				t.Fatalf("events %v", r.got)
			}
		}
		if uint64(len(r.got)) < n {
			return fmt.Errorf("%d of %d", len(r.got), n)
		}
		return nil
	})
	return time.Since(began)
}

// say stores events of a robot, from a number to another.
func say(t *testing.T, c *hub.Conn, from, to uint64) {
	t.Helper()
	for n := from; n <= to; n++ {
		e := &fleetv1.RobotEvent{JournalId: "j", What: &fleetv1.RobotEvent_Event{Event: &facetdv1.Event{Sequence: n}}}
		natstest.Wait(t, "an event", func() error {
			return publish(t, c, subject.Event("crawler"), encoded(t, e), "Nats-Msg-Id", fmt.Sprint(n))
		})
	}
}

// consumers are the names of the readers at the hub.
func consumers(t *testing.T, c *hub.Conn) (names []string) {
	t.Helper()
	s, err := c.JS.Stream(t.Context(), subject.Events)
	if err != nil {
		t.Fatal(err)
	}
	list := s.ConsumerNames(t.Context())
	for name := range list.Name() {
		names = append(names, name)
	}
	if list.Err() != nil || len(names) == 0 {
		t.Fatalf("readers %v, %v", names, list.Err())
	}
	slices.Sort(names)
	return names
}

// TestReadersThatAreStuck: a reader at the hub that gives nothing, is gone, or went with the hub is made anew within
// 15 s, and goes on behind what was read: no event is lost, and none comes twice.
func TestReadersThatAreStuck(t *testing.T) {
	t.Parallel()
	for name, befalls := range map[string]func(*testing.T, *natstest.Server, *hub.Conn){
		"gives nothing": func(t *testing.T, _ *natstest.Server, c *hub.Conn) {
			for _, name := range consumers(t, c) {
				r, err := c.JS.PauseConsumer(t.Context(), subject.Events, name, time.Now().Add(time.Hour))
				if err != nil || !r.Paused {
					t.Fatal(r, err)
				}
			}
		},
		"is gone": func(t *testing.T, _ *natstest.Server, c *hub.Conn) {
			for _, name := range consumers(t, c) {
				if err := c.JS.DeleteConsumer(t.Context(), subject.Events, name); err != nil {
					t.Fatal(err)
				}
			}
		},
		"went with the hub": func(_ *testing.T, s *natstest.Server, _ *hub.Conn) { s.Kill(); s.Run() },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			server := natstest.Start(t)
			c := prepareHub(t, 1, server.URL)
			say(t, c, 1, 3)
			var all sync.WaitGroup
			ctx, cancel := context.WithCancel(t.Context())
			defer all.Wait()
			defer cancel()
			readers := map[string]*reading{"": {}, "archive": {}}
			for name, r := range readers {
				all.Go(func() {
					err := fleet.Events(ctx, connectTo(t, server.URL), fleet.EventOptions{Reader: name, Follow: true},
						r.take)
					if ctx.Err() == nil {
						t.Errorf("reader %q ended: %v", name, err)
					}
				})
			}
			for _, r := range readers {
				r.awaits(t, 3)
			}
			befalls(t, server, c)
			say(t, c, 4, 6)
			for name, r := range readers {
				took := r.awaits(t, 6)
				t.Logf("reader %q: current %v after it", name, took)
				if peertest.All() && took > 15*time.Second {
					t.Errorf("reader %q was not made anew for %v", name, took)
				}
			}
			say(t, c, 7, 7)
			for _, r := range readers {
				r.awaits(t, 7)
			}
		})
	}
}

// TestAReaderOfStatusesAfterAnOutage: who watches robots sees them again once the hub is back.
func TestAReaderOfStatusesAfterAnOutage(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	seen := make(chan uint64, 100)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		done <- fleet.Watch(ctx, c, func(r *fleet.Robot) error {
			if r != nil {
				seen <- r.GetCount()
			}
			return nil
		})
	}()
	defer func() { cancel(); <-done }()
	put(t, c, &fleetv1.Robot{Name: "crawler", Count: 1})
	if n := <-seen; n != 1 {
		t.Fatalf("status %d", n)
	}
	server.Kill()
	server.Run()
	natstest.Wait(t, "a status", func() error {
		return publish(t, c, subject.InBucket(subject.Status, "crawler"), encoded(t, &fleetv1.Robot{Count: 2}))
	})
	began := time.Now()
	for n := uint64(0); n != 2; {
		select {
		case n = <-seen:
		case <-time.After(2 * time.Minute):
			t.Fatal("no status after the hub came back")
		}
	}
	t.Logf("statuses: current %v after it", time.Since(began))
	if took := time.Since(began); peertest.All() && took > 15*time.Second {
		t.Errorf("no status for %v", took)
	}
}
