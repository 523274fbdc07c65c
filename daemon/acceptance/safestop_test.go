package acceptance

import (
	"context"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestKilledWhileItIsStopped: however a daemon is killed while the array is stopped and resumed, the next one is
// stopped where the last answer was a stop, and runs where it was a resume; of a call that was not answered either.
func TestKilledWhileItIsStopped(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	data := filepath.Join(t.TempDir(), "data")
	stopped, open := false, false // as last answered; whether a call was not
	answered, both := 0, map[bool]int{}
	for round := range 6 {
		d := start(t, "--data", data)
		conn := d.dial(t)
		ctx := within(t, time.Minute)
		st, err := facetdv1.NewStatusServiceClient(conn).GetStatus(ctx, &facetdv1.GetStatusRequest{})
		if err != nil {
			t.Fatal(err)
		}
		is := st.GetStatus().GetSafeStop() != nil
		if is != stopped && !open {
			t.Fatalf("round %d: stopped: %v, answered: %v", round, is, stopped)
		}
		if is && !strings.Contains(run(t, binary(t, "facetctl"), "--address", d.grpc, "status"), ": smoke\n") {
			t.Error("the next daemon does not say why it is stopped")
		}
		stopped, open = is, false
		both[is]++
		stops := facetdv1.NewSafeStopServiceClient(conn)
		after := 1 + rng.IntN(4)
		for n := 0; ; n++ {
			if n == after {
				// SIGKILL
				time.AfterFunc(time.Duration(rng.IntN(10_000))*time.Microsecond, func() { d.cmd.Process.Kill() })
			}
			if err := turn(ctx, stops, stopped); err != nil {
				if n < after {
					t.Fatal(err)
				}
				open = true
				break
			}
			stopped = !stopped
			answered++
		}
		<-d.done
		if said := d.output.String(); is != strings.Contains(said, "nothing is driven until it is resumed with") {
			t.Errorf("stopped: %v, and the log says\n%s", is, said)
		}
	}
	t.Logf("%d calls answered, %d daemons stopped, %d running", answered, both[true], both[false])
}

// turn stops an array that runs, and resumes one that is stopped.
func turn(ctx context.Context, stops facetdv1.SafeStopServiceClient, stopped bool) error {
	if stopped {
		_, err := stops.ResumeArray(ctx, &facetdv1.ResumeArrayRequest{})
		return err
	}
	_, err := stops.StopArray(ctx, &facetdv1.StopArrayRequest{Reason: "smoke"})
	return err
}
