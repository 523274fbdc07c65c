package supervise

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sys/unix"
)

// manager is the other end: a socket as systemd opens it (sd_notify(3): AF_UNIX,
// SOCK_DGRAM, newline-separated assignments).
func manager(t *testing.T, watchdog time.Duration) (*Manager, func() map[string]string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "n")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { socket.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	if watchdog > 0 {
		t.Setenv("WATCHDOG_USEC", strconv.FormatInt(watchdog.Microseconds(), 10))
		t.Setenv("WATCHDOG_PID", strconv.Itoa(os.Getpid()))
	}
	m := FromEnvironment(zap.NewNop())
	if m == nil {
		t.Fatal("no manager in the environment")
	}
	return m, func() map[string]string {
		t.Helper()
		_ = socket.SetReadDeadline(time.Now().Add(2 * time.Minute))
		buf := make([]byte, 4096)
		n, err := socket.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]string{}
		for _, assignment := range strings.Split(string(buf[:n]), "\n") {
			name, value, ok := strings.Cut(assignment, "=")
			if !ok || name == "" {
				t.Fatalf("%q is no assignment", assignment)
			}
			got[name] = value
		}
		return got
	}
}

func TestWhatTheManagerIsTold(t *testing.T) {
	m, read := manager(t, 0)
	m.Ready("running\nbench")
	if got := read(); got["READY"] != "1" || got["STATUS"] != "running bench" {
		t.Errorf("ready: %v", got)
	}
	m.Reloading()
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
		t.Fatal(err)
	}
	got := read()
	at, err := strconv.ParseInt(got["MONOTONIC_USEC"], 10, 64)
	if got["RELOADING"] != "1" || err != nil || at > now.Nano()/1000 || at < now.Nano()/1000-10_000_000 {
		t.Errorf("reloading at %d us: %v", now.Nano()/1000, got)
	}
	m.Stopping(strings.Repeat("long ", 1000))
	if got := read(); got["STOPPING"] != "1" || len(got["STATUS"]) > 600 {
		t.Errorf("stopping: %v", got)
	}
}

// The watchdog is fed while there is proof, not while there is none, and again after.
func TestTheWatchdogWantsProof(t *testing.T) {
	m, read := manager(t, 60*time.Millisecond)
	hangs := make(chan bool, 1)
	hangs <- false
	alive := func(ctx context.Context) error {
		hang := <-hangs
		hangs <- hang
		if hang {
			<-ctx.Done()
			return ctx.Err()
		}
		return nil
	}
	set := func(hang bool) { <-hangs; hangs <- hang }
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { m.Watch(ctx, alive, func() string { return "fine" }); close(ended) }()
	for range 3 {
		if got := read(); got["WATCHDOG"] != "1" || got["STATUS"] != "fine" {
			t.Errorf("alive: %v", got)
		}
	}
	set(true)
	silent := 0
	for range 5 {
		got := read()
		if got["WATCHDOG"] == "" {
			silent++
			if !strings.Contains(got["STATUS"], "the bus does not go on") {
				t.Errorf("hanging: %v", got)
			}
		}
	}
	if silent < 3 { // the first two may have been on their way
		t.Errorf("%d of 5 did not feed the watchdog", silent)
	}
	set(false)
	fed := false
	for range 5 {
		fed = fed || read()["WATCHDOG"] == "1"
	}
	if !fed {
		t.Error("the watchdog is not fed again")
	}
	cancel()
	<-ended
}

// Without a manager nothing is sent, and nothing fails.
func TestNoManager(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	m := FromEnvironment(zap.NewNop())
	if m != nil {
		t.Fatal("a manager out of nothing")
	}
	m.Ready("x")
	m.Reloading()
	m.Stopping("x")
	m.Watch(t.Context(), nil, nil)
}

// A manager that has gone away, or a watchdog of another process, does no harm.
func TestOddManagers(t *testing.T) {
	m, _ := manager(t, 0)
	t.Setenv("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "gone"))
	m.Ready("x")
	t.Setenv("WATCHDOG_USEC", "1000000")
	t.Setenv("WATCHDOG_PID", "1")
	if m := FromEnvironment(zap.NewNop()); m.interval != 0 {
		t.Errorf("the watchdog of another process: every %v", m.interval)
	}
	t.Setenv("WATCHDOG_USEC", "often")
	if m := FromEnvironment(zap.NewNop()); m == nil || m.interval != 0 {
		t.Errorf("a watchdog that is no number: %v", m)
	}
}
