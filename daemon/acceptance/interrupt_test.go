package acceptance

import (
	"bufio"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"

	"facetd.example/api/peertest"
)

// TestInterruptedWatch: a watch that is interrupted ends with status 0, also when the signal comes just as it ends by
// itself.
func TestInterruptedWatch(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	d := start(t)
	for range 12 {
		cmd := exec.Command(binary(t, "facetctl"), "--address", d.grpc, "frames", "watch", "--output", "json",
			"--count", "2")
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err == nil {
			err = cmd.Start()
		}
		if err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewReader(out)
		for range 1 + rng.IntN(2) {
			if _, err := lines.ReadString('\n'); err != nil {
				t.Fatal(err)
			}
		}
		_ = cmd.Process.Signal(os.Interrupt) // it may have ended
		if _, err := lines.WriteTo(io.Discard); err != nil {
			t.Fatal(err)
		}
		if err := cmd.Wait(); err != nil {
			t.Errorf("it ended with %v", err)
		}
	}
	if err := d.stop(t); err != nil {
		t.Error(err)
	}
}
