package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/api/peertest"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/natstest"
)

// lease takes a lease that nobody renews.
func lease(t testing.TB, c *hub.Conn, robot string, d time.Duration, rate uint64) *fleetv1.Lease {
	t.Helper()
	var granted *fleetv1.Lease
	natstest.Wait(t, "a lease", func() error {
		a, err := fleet.Ask(t.Context(), c, robot, &fleetv1.Command{What: &fleetv1.Command_LeaseFrames{
			LeaseFrames: &fleetv1.LeaseFrames{LeaseId: t.Name(), Duration: durationpb.New(d), BytesPerSecond: rate}}})
		granted = a.GetLease()
		return err
	})
	return granted
}

// TestNoFramesWithoutALease: none before, none later than a second after its end; a lease is no longer than a minute.
func TestNoFramesWithoutALease(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := startProcess(t)
	startBridge(t, daemon.Client, "crawler", server.URL)
	fresh(t, c, "crawler", time.Time{})
	messages := make(chan *nats.Msg, 10_000)
	s, err := c.NC.ChanSubscribe("facet.*.crawler.>", messages)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Unsubscribe()
	quiet := func(d time.Duration) {
		t.Helper()
		for end := time.After(d); ; {
			select {
			case m := <-messages:
				if len(m.Data) > 0 {
					t.Fatalf("%d bytes of frames on %s without a lease", len(m.Data), m.Subject)
				}
			case <-end:
				return
			}
		}
	}
	quiet(300 * time.Millisecond)
	if l := lease(t, c, "crawler", time.Hour, 0); l.GetDuration().AsDuration() != time.Minute {
		t.Errorf("a lease of an hour was granted for %v", l.GetDuration().AsDuration())
	}
	m := <-messages
	for len(m.Data) == 0 {
		m = <-messages
	}
	lease(t, c, "crawler", 300*time.Millisecond, 0)
	end := time.Now().Add(300 * time.Millisecond)
	last := time.Now()
	for over := time.After(1300 * time.Millisecond); ; {
		select {
		case <-messages:
			last = time.Now()
			continue
		case <-over:
		}
		break
	}
	t.Logf("the last frames came %v after the end of the lease", last.Sub(end))
	quiet(300 * time.Millisecond)
}

// TestTheByteBudget: the rate is kept within a tenth, and every task is served, whatever the sizes of their sets.
func TestTheByteBudget(t *testing.T) {
	parallelUnlessTimed(t)
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := startProcess(t)
	startBridge(t, daemon.Client, "crawler", server.URL)
	fresh(t, c, "crawler", time.Time{})
	const rate = 150_000
	var complaint string
	for range 3 { // a busy machine may hold one try up
		if complaint = budgetKept(t, c, rate, peertest.Cases(3*time.Second, 10*time.Second)); complaint == "" {
			return
		}
	}
	t.Error(complaint)
}

func budgetKept(t *testing.T, c *hub.Conn, rate uint64, during time.Duration) (complaint string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*during)
	defer cancel()
	var first, from, last time.Time
	total, by, skipped := 0, map[string]int{}, uint64(0)
	err := fleet.Frames(ctx, c, fleet.LeaseOptions{Robot: "crawler", BytesPerSecond: rate},
		func(f *fleetv1.RobotFrames) error {
			now := time.Now()
			if first.IsZero() {
				first = now
			}
			if now.Sub(first) < time.Second { // what was saved up goes at once and is not counted
				return nil
			}
			if from.IsZero() {
				from = now
				return nil
			}
			last = now
			total, skipped = total+proto.Size(f), skipped+f.GetSkipped()
			by[f.GetSet().GetTask()]++
			if now.Sub(from) > during {
				return errEnough
			}
			return nil
		})
	if !errors.Is(err, errEnough) {
		t.Fatal(err)
	}
	kept := float64(total) / last.Sub(from).Seconds() / float64(rate)
	t.Logf("%.3f of the budget; sets by task %v, %d skipped", kept, by, skipped)
	if kept < 0.9 || kept > 1.1 || len(by) != 4 || skipped == 0 {
		return fmt.Sprintf("%.3f of the budget; sets by task %v, %d skipped", kept, by, skipped)
	}
	return ""
}

// TestFramesOnTheCommandLine: sets are printed and saved, tasks that are not there are refused, and a robot that is not
// there is told at once, also while somebody listens to all data.
func TestFramesOnTheCommandLine(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := demoDaemon(t)
	if _, err := daemon.AddTask(t.Context(), demoTask("look")); err != nil {
		t.Fatal(err)
	}
	startBridge(t, daemon, "crawler", server.URL)
	fresh(t, c, "crawler", time.Time{})
	if _, err := daemon.AddTask(t.Context(), pairsTask("twice")); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	status, out, errs := run(t, server.URL, "frames", "--robot", "crawler", "--task", "twice", "--count", "1", "--out",
		dir)
	if status != 0 {
		t.Errorf("status %d: %s%s", status, out, errs)
	}
	for _, pattern := range []string{"crawler-twice-*-bow-comb-view-1.pgm",
		"crawler-twice-*-bow-comb-view-1+second.pgm"} {
		if of, err := filepath.Glob(filepath.Join(dir, pattern)); err != nil || len(of) != 1 {
			t.Errorf("of a pair %s is %v, %v", pattern, of, err)
		}
	}
	status, out, errs = run(t, server.URL, "frames", "--robot", "crawler", "--task", "look", "--count", "2", "--out",
		dir)
	if status != 0 || strings.Count(out, "crawler  look  job ") != 2 {
		t.Errorf("status %d: %s%s", status, out, errs)
	}
	pictures, err := filepath.Glob(filepath.Join(dir, "crawler-look-*-bow-comb-*.pgm"))
	if err != nil || len(pictures) != 2 {
		t.Fatalf("%v, %v", pictures, err)
	}
	picture, err := os.ReadFile(pictures[0])
	if err != nil || !bytes.HasPrefix(picture, []byte("P5\n")) {
		t.Errorf("%.20q, %v", picture, err)
	}
	if status, _, errs = run(t, server.URL, "frames", "--robot", "crawler", "--task", "none"); status != 1 ||
		!strings.Contains(errs, `there is no task "none"`) {
		t.Errorf("status %d: %s", status, errs)
	}
	all, err := c.NC.SubscribeSync("facet.>")
	if err != nil {
		t.Fatal(err)
	}
	defer all.Unsubscribe()
	began := time.Now()
	_, err = fleet.Order(t.Context(), c, "nobody", &fleetv1.Command{})
	var silent *fleet.SilentError
	if !errors.As(err, &silent) || !silent.Absent || time.Since(began) > 5*time.Second {
		t.Errorf("after %v: %v", time.Since(began), err)
	}
}

// A viewer's subject takes no command of an operator; an operator's stops the array and lets it go on.
func TestRolesOfCommands(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := demoDaemon(t)
	startBridge(t, daemon, "crawler", server.URL)
	fresh(t, c, "crawler", time.Time{})
	stop := &fleetv1.Command{What: &fleetv1.Command_Stop{Stop: &facetdv1.StopArrayRequest{Reason: "a test"}}}
	_, err := fleet.Ask(t.Context(), c, "crawler", stop)
	var refused *fleet.RefusedError
	if !errors.As(err, &refused) || refused.Failure.GetCode() != "PERMISSION_DENIED" {
		t.Errorf("a viewer's stop: %v", err)
	}
	if status, out, errs := run(t, server.URL, "stop", "--robot", "crawler", "--reason", "a test"); status != 0 ||
		out != "crawler: stopped\n" {
		t.Errorf("status %d: %s%s", status, out, errs)
	}
	natstest.Wait(t, "the stop in the status", func() error {
		if r := fresh(t, c, "crawler", time.Time{}); r.GetReason() != "a test" || r.Word(time.Now()) != "stopped" {
			return fmt.Errorf("%s: %s", r.Word(time.Now()), r.GetReason())
		}
		return nil
	})
	if status, out, errs := run(t, server.URL, "resume", "--robot", "crawler"); status != 0 ||
		out != "crawler: resumed\n" {
		t.Errorf("status %d: %s%s", status, out, errs)
	}
}
