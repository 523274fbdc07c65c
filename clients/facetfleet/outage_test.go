package main

import (
	"testing"
	"time"

	"facetd.example/api/peertest"
	"facetd.example/clients/facetfleet/internal/natstest"
)

// TestOutages: through everything that happens to a hub and the link to it every event comes once and in order, and
// the status is current soon after.
func TestOutages(t *testing.T) {
	t.Parallel()
	for _, o := range []struct {
		name          string
		begin, end    func(*natstest.Server, *natstest.Link)
		some, all     time.Duration
		currentWithin time.Duration
	}{
		{"hub killed", func(s *natstest.Server, _ *natstest.Link) { s.Kill() },
			func(s *natstest.Server, _ *natstest.Link) { s.Run() }, time.Second, 5 * time.Second, 3 * time.Second},
		{"hub hung", func(s *natstest.Server, _ *natstest.Link) { s.Hang() },
			func(s *natstest.Server, _ *natstest.Link) { s.Go() }, time.Second, 20 * time.Second, 15 * time.Second},
		{"link cut", func(_ *natstest.Server, l *natstest.Link) { l.Cut() },
			func(_ *natstest.Server, l *natstest.Link) { l.Restore() }, time.Second, time.Minute, 15 * time.Second},
		{"link hung", func(_ *natstest.Server, l *natstest.Link) { l.Hang() },
			func(_ *natstest.Server, l *natstest.Link) { l.Restore() }, time.Second, time.Minute, 15 * time.Second},
	} {
		t.Run(o.name, func(t *testing.T) {
			t.Parallel()
			server := natstest.Start(t)
			link := natstest.NewLink(t, server)
			c := prepareHub(t, 1, server.URL)
			daemon := demoDaemon(t)
			startBridge(t, daemon, "crawler", link.URL)
			makeEvents(t, daemon, 3)
			whole(t, c, "crawler", daemon)

			o.begin(server, link)
			until := time.Now().Add(peertest.Cases(o.some, o.all))
			for time.Now().Before(until) {
				makeEvents(t, daemon, 1)
				// Events all through the outage, and no more than a journal in memory holds.
				time.Sleep(peertest.Cases(50*time.Millisecond, 250*time.Millisecond))
			}
			o.end(server, link)
			back := time.Now()
			makeEvents(t, daemon, 3)
			r := fresh(t, c, "crawler", back)
			if took := r.Stored.Sub(back); took > o.currentWithin && peertest.All() {
				t.Errorf("the status was current %v after the end, more than %v", took, o.currentWithin)
			}
			took := whole(t, c, "crawler", daemon)
			r = fresh(t, c, "crawler", time.Now())
			t.Logf("current after %v, events after %v more; %d statuses lost, %d reconnects", r.Stored.Sub(back), took,
				r.GetBridge().GetStatusesLost(), r.GetBridge().GetReconnects())
			if r.GetBridge().GetGaps() != 0 ||
				r.GetBacklog().GetPublishedSequence() != r.GetBacklog().GetLastSequence() {
				t.Errorf("the status says %v and %v", r.GetBridge(), r.GetBacklog())
			}
		})
	}
}

// TestTheLeaderKilled: a hub of three nodes goes on without the one that leads the stream of events.
func TestTheLeaderKilled(t *testing.T) {
	t.Parallel()
	if !peertest.All() {
		t.Skip("an election takes some ten seconds; .ci/long fleet runs it")
	}
	servers := natstest.Cluster(t)
	urls := []string{servers[0].URL, servers[1].URL, servers[2].URL}
	c := prepareHub(t, 3, urls...)
	daemon := demoDaemon(t)
	startBridge(t, daemon, "crawler", urls...)
	makeEvents(t, daemon, 3)
	whole(t, c, "crawler", daemon)
	leader := leaderOf(t, c)
	for i, name := range []string{"n1", "n2", "n3"} {
		if name == leader {
			servers[i].Kill()
		}
	}
	killed := time.Now()
	makeEvents(t, daemon, 5)
	whole(t, c, "crawler", daemon)
	first := time.Time{}
	got, err := atHub(t, c, "crawler")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range got {
		if e.Stored.After(killed) && first.IsZero() {
			first = e.Stored
		}
	}
	t.Logf("leader %s killed: events acknowledged again after %v, all of them after %v", leader, first.Sub(killed),
		got[len(got)-1].Stored.Sub(killed))
	if first.Sub(killed) > 15*time.Second && peertest.All() {
		t.Error("that is more than 15 s")
	}
}
