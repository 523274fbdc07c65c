package acceptance

import (
	"encoding/json"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"facetd.example/api/peertest"
)

// TestTheGuidesDevice runs the four commands by which the guide tries a device without hardware, as they stand there
// but for their folders: firmware is built, drives the chips, and the daemon runs the demo on it. A daemon that is
// started again finds its programs on the device.
func TestTheGuidesDevice(t *testing.T) {
	t.Parallel()
	peertest.Program(t, "cc")
	peertest.Program(t, "make")
	root, dir := filepath.Join("..", ".."), t.TempDir()
	page, err := os.ReadFile(filepath.Join(root, "deploy/guide/hardware.md"))
	if err != nil {
		t.Fatal(err)
	}
	all := blocks(string(page))
	i := slices.IndexFunc(all, func(b block) bool { return strings.HasPrefix(b.lines[0], "make ") })
	if i < 0 {
		t.Fatal("the guide does not say how to build the firmware")
	}
	lines := all[i].lines
	if len(lines) != 4 {
		t.Fatalf("the guide has %d commands, want 4: %q", len(lines), lines)
	}
	here := strings.NewReplacer("/tmp/", dir+"/", "bus/bridge/firmware/build/", dir+"/build/")
	var commands [][]string
	for _, line := range lines {
		commands = append(commands, strings.Fields(here.Replace(line)))
	}
	build := commands[0]
	build[2] = filepath.Join(root, build[2])
	run(t, build[0], append(build[1:], "OUT="+dir+"/build", "OPTIMIZE=-O0")...)
	background(t, binary(t, commands[1][0]), append(commands[1][1:], "--scene", "uniform:200")...)
	background(t, commands[2][0], append(commands[2][1:], "--latency", "200000")...) // the machine is shared
	waitFor(t, "the firmware listens", func() bool {
		conn, err := net.Dial("unix", filepath.Join(dir, "link"))
		if err == nil {
			_ = conn.Close() // it says nothing
		}
		return err == nil
	})
	for _, again := range []bool{false, true} {
		began := time.Now()
		d := start(t, commands[3][1:]...)
		var is deviceAnswer
		waitFor(t, "segments that ran", func() bool {
			// Its status is 1 while the device is away.
			text, _ := exec.Command(binary(t, "facetctl"), "--address", d.grpc, "device", "--output", "json").Output()
			if err := json.Unmarshal(text, &is); err != nil {
				t.Fatalf("%v: %s", err, text)
			}
			return is.Device.Counters.Runs != "0"
		})
		t.Logf("segments ran %v after the start", time.Since(began))
		c := is.Device.Counters
		// A machine that stood still for the lease has lost the device, and found it again with its programs.
		wrong := c.Losses == "0" && ((c.Uploads == "0") != again || (c.Kept == "0") == again)
		if is.Device.Build != "host" || is.Device.Limits.TickNS != "40" || wrong {
			t.Errorf("started again: %v, the device: %+v", again, is.Device)
		}
		if err := d.stop(t); err != nil {
			t.Errorf("%v: %s", err, d.output)
		}
	}
}

// deviceAnswer is what the test looks at of what facetctl device prints.
type deviceAnswer struct {
	Device struct {
		Build  string
		Limits struct {
			TickNS string `json:"tick_ns"`
		}
		Counters struct{ Runs, Losses, Uploads, Kept string }
	}
}

// background runs a program until the test ends.
func background(t *testing.T, program string, args ...string) {
	t.Helper()
	cmd := exec.Command(program, args...)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended
		_ = cmd.Wait()         // which tells of that
	})
}

// waitFor waits until something is.
func waitFor(t *testing.T, what string, is func() bool) {
	t.Helper()
	for began := time.Now(); !is(); time.Sleep(10 * time.Millisecond) {
		if time.Since(began) > patience {
			t.Fatalf("waited for %s", what)
		}
	}
}
