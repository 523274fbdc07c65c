package acceptance

import (
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestReloadOnSIGHUP: the real daemon, started as a unit starts it, says when it is
// ready, takes a new configuration on SIGHUP or refuses it, feeds the watchdog, and
// says that it stops.
func TestReloadOnSIGHUP(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(dir, "notify"), Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	until := func(what string) string {
		t.Helper()
		buf := make([]byte, 4096)
		for {
			_ = socket.SetReadDeadline(time.Now().Add(patience))
			n, err := socket.Read(buf)
			if err != nil {
				t.Fatalf("no %s: %v", what, err)
			}
			if got := string(buf[:n]); strings.HasPrefix(got, what) {
				return got
			}
		}
	}
	config, tasks := filepath.Join(dir, "facetd.yaml"), filepath.Join(dir, "tasks.yaml")
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(config, "tasks: tasks.yaml\n")
	write(tasks, "tasks:\n  - {name: look, target: {group: bow}, rate_hz: 10}\n")
	d := startIn(t, []string{"NOTIFY_SOCKET=" + filepath.Join(dir, "notify"), "WATCHDOG_USEC=1500000"}, "--config",
		config)
	ctl := func(args ...string) string {
		return run(t, binary(t, "facetctl"), append([]string{"--address", d.grpc}, args...)...)
	}
	sendSIGHUP := func() string {
		t.Helper()
		if err := d.cmd.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
		if got := until("RELOADING=1"); !strings.Contains(got, "\nMONOTONIC_USEC=") {
			t.Errorf("%q", got)
		}
		return until("READY=1")
	}
	if got := until("READY=1"); !strings.Contains(got, "tasks 1") {
		t.Errorf("%q", got)
	}
	write(tasks, "tasks:\n  - {name: look, target: {group: bow}, rate_hz: 20}\n  - {name: down, target: {group: "+
		"bed}, rate_hz: 5}\n")
	write(config, "tasks: tasks.yaml\nscene: uniform:40\n")
	if got := sendSIGHUP(); !strings.Contains(got, "tasks 2") || strings.Contains(got, "refused") {
		t.Errorf("%q", got)
	}
	if list := ctl("tasks", "list", "--output", "json"); !strings.Contains(list, `"down"`) ||
		!strings.Contains(list, `"rate_hz": 20`) {
		t.Errorf("tasks: %s", list)
	}
	if scene := ctl("scene", "show"); !strings.Contains(scene, "uniform:40") {
		t.Errorf("scene: %s", scene)
	}
	write(config, "tasks: none\nseed: 9\n")
	if got := sendSIGHUP(); !strings.Contains(got, "refused") || !strings.Contains(got, "tasks 2") {
		t.Errorf("%q", got)
	}
	journal := ctl("events")
	for _, want := range []string{"configuration applied: tasks added down, changed look; scene uniform:40",
		"configuration refused: seed: cannot change"} {
		if !strings.Contains(journal, want) {
			t.Errorf("no %q in\n%s", want, journal)
		}
	}
	until("WATCHDOG=1")
	if err := d.stop(t); err != nil {
		t.Errorf("SIGTERM: %v\n%s", err, d.output)
	}
	until("STOPPING=1")
}

// TestAClosedTerminalEndsTheDaemon: without a file to read again, SIGHUP ends it in
// order.
func TestAClosedTerminalEndsTheDaemon(t *testing.T) {
	t.Parallel()
	d := start(t)
	if err := d.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-d.done:
		if err != nil {
			t.Errorf("%v\n%s", err, d.output)
		}
	case <-time.After(patience):
		t.Fatal("it goes on")
	}
}
