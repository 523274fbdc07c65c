package bridge

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"syscall"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// hostOf is the environment variable that makes this test binary a host of the device at an address.
const hostOf = "FACETD_TEST_HOST_OF"

// killedLease is the lease of such a host.
const killedLease = 200 * time.Millisecond

// hosted is what a host tells of its runs: when the first begins, as bus time and by the clock of the machine, how far
// those may be apart, and the limit of releases, all in nanoseconds.
type hosted struct{ begins, host, off, release int64 }

// beHost runs a device until the process is killed.
func beHost(address string) error {
	ctx := context.Background()
	d, err := Dial(ctx, address, false)
	if err != nil {
		return err
	}
	a, err := bustest.MustLinearArray().OnGrain(d.Grain())
	if err != nil {
		return err
	}
	b, err := New(ctx, Config{Device: d, Array: a, Lease: killedLease})
	if err != nil {
		return err
	}
	p := lasting(a, 500*time.Millisecond)
	if err := b.Prepare(ctx, []*bus.Program{p}); err != nil {
		return err
	}
	r := &rig{Bus: b}
	begins := r.soon()
	for i := range uint64(3) {
		at := begins.Add(time.Duration(i) * (bus.CostOf(a, p.Ops).Total() + a.Up(time.Millisecond)))
		if err := b.Submit(at, r.segment(p, i)); err != nil {
			return err
		}
	}
	if err := b.WaitUntil(ctx, begins.Add(-50*time.Millisecond)); err != nil {
		return err
	}
	host, off := b.HostTime(begins)
	fmt.Println(begins.NS(), host.UnixNano(), off.Nanoseconds(), b.Limits().Release.Nanoseconds())
	for {
		if _, err := b.Next(ctx); err != nil {
			return err
		}
	}
}

// TestAKilledHost: a host that is a process and is killed at a random moment, or stopped, leaves every line inactive
// within the lease and the release limit, by the device's own clock at its pins. What this machine may be the cause of
// is tried again.
func TestAKilledHost(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	array := bustest.MustLinearArray()
	device := bridgetest.Start(t, bridgetest.Config{Array: array, Scene: light(t)})
	dial(t, device.Address).Close() // it listens
	for round := range lostHosts(t, 1) {
		how, said := syscall.SIGKILL, ""
		if rng.IntN(2) == 1 {
			how = syscall.SIGSTOP
		}
		for range 4 * tries {
			if said = killHost(t, device, array, rng, how); said == "" {
				break
			}
			t.Logf("round %d, once more: %s", round, said)
		}
		if said != "" || t.Failed() {
			t.Fatalf("seed %d, round %d: %s", seed, round, said)
		}
	}
}

// killHost sends a signal to a host of a device that runs, and tells what this machine may be the cause of; "" where
// the lines were inactive in time.
func killHost(t *testing.T, device *bridgetest.Rig, array *chipmodel.Array, rng *rand.Rand, how syscall.Signal) string {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), hostOf+"="+device.Address)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = cmd.Process.Kill() // which may have been
		_ = cmd.Wait()         // which tells of that
	}()
	var h hosted
	if _, err := fmt.Fscan(out, &h.begins, &h.host, &h.off, &h.release); err != nil {
		return "the host did not come up: " + err.Error()
	}
	moment := time.Unix(0, h.host).Add(time.Duration(10+rng.Int64N(140)) * time.Millisecond)
	time.Sleep(time.Until(moment)) // a random moment of its runs
	if err := cmd.Process.Signal(how); err != nil {
		t.Fatal(err)
	}
	lost := bus.Time(h.begins).Add(time.Duration(time.Now().UnixNano() - h.host + h.off))
	r := &rig{Rig: device}
	return r.inactiveBy(t, bus.Time(h.begins), lost.Add(killedLease+time.Duration(h.release)))
}
