package python

import (
	"os/exec"
	"strings"
	"testing"

	"facetd.example/api/peertest"
)

// TestControllersAgree runs the controller that holds a crawler in the middle of its pipe, in Python a few times and in
// Go once, each beside a daemon of its own in lockstep: all say the same to the last bit, and end in the middle.
func TestControllersAgree(t *testing.T) {
	python(t)
	t.Parallel()
	beside := func(cmd func(address string) *exec.Cmd) string {
		t.Helper()
		address := daemon(t, "--pace", "lockstep", "--scene", "demo:high=800,lamp=0.9,left=0.1")
		out, err := cmd(address).CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		return string(out)
	}
	inGo := beside(func(address string) *exec.Cmd {
		return exec.CommandContext(t.Context(), "go", "run", "facetd.example/clients/go/examples/centre", "--address",
			address)
	})
	lines := strings.Split(strings.TrimSpace(inGo), "\n")
	if last := lines[len(lines)-1]; len(lines) < 40 || !strings.Contains(last, " s: -0.00") {
		t.Errorf("%d lines, and it ended with %s", len(lines), last)
	}
	for i := range peertest.Cases(2, 10) {
		if inPython := beside(func(address string) *exec.Cmd {
			return command(t, "examples/hold_the_middle.py", "--address", address)
		}); inPython != inGo {
			t.Errorf("run %d in Python is another than in Go:\n%s\n%s", i+1, inPython, inGo)
		}
	}
}
