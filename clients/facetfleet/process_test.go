package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/clients/facetfleet/internal/natstest"
	"facetd.example/clients/go/facet"
)

var built struct {
	once sync.Once
	dir  string
	err  error
}

// facetd builds the daemon, and facetfleet beside it, once for all tests; TestMain removes them.
func facetd(t testing.TB) string {
	t.Helper()
	built.once.Do(func() {
		if built.dir, built.err = os.MkdirTemp("", "facetfleet"); built.err != nil {
			return
		}
		out, err := exec.Command("go", "build", "-ldflags", "-s -w", "-o", built.dir,
			"facetd.example/daemon/facetd", "facetd.example/clients/facetfleet").CombinedOutput()
		if err != nil {
			built.err = fmt.Errorf("%w\n%s", err, out)
		}
	})
	if built.err != nil {
		t.Fatal(built.err)
	}
	return filepath.Join(built.dir, "facetd")
}

// process is a facetd of its own, with the demo in plain light.
type process struct {
	*facet.Client
	t       testing.TB
	program string
	address string
	args    []string
	cmd     *exec.Cmd
	errs    bytes.Buffer
}

func startProcess(t testing.TB, args ...string) *process {
	t.Helper()
	address := peertest.Address(t)
	p := &process{t: t, program: facetd(t), address: address,
		args: append([]string{"--listen", address, "--http", "127.0.0.1:0",
			"--log-level", "error", "--scene", "uniform:200", "--max-lag", "0s"}, args...)}
	var err error
	if p.Client, err = facet.Connect(address, facet.Options{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close(); p.kill() })
	p.run()
	return p
}

// run starts the process and waits until it answers.
func (p *process) run() {
	p.t.Helper()
	p.cmd = exec.Command(p.program, p.args...)
	p.cmd.Stderr = &p.errs
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	natstest.Wait(p.t, "facetd", func() error {
		ctx, cancel := context.WithTimeout(p.t.Context(), 5*time.Second)
		defer cancel()
		_, err := p.Status(ctx)
		return err
	})
}

func (p *process) kill() {
	if p.cmd == nil {
		return
	}
	p.cmd.Process.Kill()
	p.cmd.Wait()
	p.cmd = nil
}

// resident is the memory that the process has, in bytes.
func (p *process) resident() int64 {
	p.t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", p.cmd.Process.Pid))
	if err != nil {
		p.t.Fatal(err)
	}
	var total, pages int64
	if _, err := fmt.Sscan(string(text), &total, &pages); err != nil {
		p.t.Fatal(err)
	}
	return pages * int64(os.Getpagesize())
}

// TestAHungHubNeverTouchesTheDaemon: while the hub is stopped, with frames, events and statuses on their way to it, the
// daemon loses nothing, grows by nothing and answers at once.
func TestAHungHubNeverTouchesTheDaemon(t *testing.T) {
	parallelUnlessTimed(t)
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := startProcess(t)
	startBridge(t, daemon.Client, "crawler", server.URL)
	makeEvents(t, daemon.Client, 1)
	whole(t, c, "crawler", daemon.Client)
	lease(t, c, "crawler", time.Minute, 0)
	before, memory := counts(t, daemon), daemon.resident()

	server.Hang()
	slowest := time.Duration(0)
	for until := time.Now().Add(peertest.Cases(2*time.Second, 20*time.Second)); time.Now().Before(until); {
		began := time.Now()
		if _, err := daemon.Status(t.Context()); err != nil {
			t.Fatal(err)
		}
		slowest = max(slowest, time.Since(began))
		time.Sleep(20 * time.Millisecond)
	}
	after, grown := counts(t, daemon), daemon.resident()-memory
	server.Go()
	back := time.Now()
	r := fresh(t, c, "crawler", back)
	whole(t, c, "crawler", daemon.Client)
	t.Logf("hub hung: current %v after its return; the daemon: slowest answer %v, %+d bytes", r.Stored.Sub(back),
		slowest,
		grown)
	if after != before {
		t.Errorf("late, failed and violations went from %v to %v", before, after)
	}
	if peertest.All() && (slowest > 250*time.Millisecond || grown > 10<<20) {
		t.Errorf("the slowest answer took %v and the daemon grew by %d bytes", slowest, grown)
	}
}

// counts are the late and failed jobs, and the violations of bus rules.
func counts(t *testing.T, daemon *process) [3]uint64 {
	t.Helper()
	s, err := daemon.Status(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	n := [3]uint64{2: s.GetRuleViolations()}
	for _, task := range s.GetTasks() {
		n[0] += task.GetStatus().GetJobsLate()
		n[1] += task.GetStatus().GetJobsFailed()
	}
	return n
}

// TestTheDaemonKilledWhileTheHubIsAway: what the journal has on its disk comes to the hub once and in order, with what
// may be lacking told.
func TestTheDaemonKilledWhileTheHubIsAway(t *testing.T) {
	t.Parallel()
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := startProcess(t, "--data", t.TempDir())
	startBridge(t, daemon.Client, "crawler", server.URL)
	makeEvents(t, daemon.Client, 2)
	whole(t, c, "crawler", daemon.Client)
	server.Kill()
	makeEvents(t, daemon.Client, 3)
	daemon.kill()
	daemon.run()
	makeEvents(t, daemon.Client, 1)
	server.Run()
	want := journal(t, daemon.Client)
	natstest.Wait(t, "events", func() error {
		got, err := atHub(t, c, "crawler")
		if err != nil {
			return err
		}
		var events []*facetdv1.Event
		gaps := 0
		for _, e := range got {
			if g := e.GetGap(); g != nil {
				if gaps++; g.GetExact() {
					t.Errorf("a gap after a crash is told as exact: %v", g)
				}
				continue
			}
			events = append(events, e.GetEvent())
		}
		for i, e := range events {
			if i >= len(want) || !proto.Equal(e, want[i]) {
				t.Fatalf("event %d at the hub is %v; the journal has %d", i, e, len(want))
			}
		}
		if len(events) < len(want) {
			return fmt.Errorf("%d of %d", len(events), len(want))
		}
		if gaps != 1 {
			t.Errorf("%d gaps", gaps)
		}
		return nil
	})
}
