package bridge

import (
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// TestALostHost: a host that is lost at a random moment, cut off, silent, or in the middle of a message, leaves every
// line inactive within the lease and the release limit, by the device's own clock at its pins. That clock is this
// machine's, which may keep the device from running: what was late for it, or not lost while it ran, is tried again.
func TestALostHost(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	array := bustest.MustLinearArray()
	device := bridgetest.Start(t, bridgetest.Config{Array: array, Scene: light(t)})
	for round := range lostHosts(t, 4) {
		said := ""
		for range 4 * tries {
			if said = lostHost(t, device, array, rng, round); said == "" {
				break
			}
			t.Logf("round %d, once more: %s", round, said)
		}
		if said != "" || t.Failed() {
			t.Fatalf("seed %d, round %d: %s", seed, round, said)
		}
	}
}

// lostHosts is how often hosts are lost: FACETD_LOST_HOSTS, or so many. A thousand take a quarter of an hour.
func lostHosts(t *testing.T, some int) int {
	t.Helper()
	text := os.Getenv("FACETD_LOST_HOSTS")
	if text == "" {
		return some
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("FACETD_LOST_HOSTS is %q, and should be a number", text)
	}
	return n
}

// lostHost loses the host of a device that runs, and tells what this machine may be the cause of; "" where the lines
// were inactive in time.
func lostHost(t *testing.T, device *bridgetest.Rig, array *chipmodel.Array, rng *rand.Rand, round int) string {
	t.Helper()
	const lease = 200 * time.Millisecond
	r, p := leased(t, device, array, lease, 500*time.Millisecond)
	if err := r.Prepare(within(t), []*bus.Program{p}); err != nil {
		return r.ends(t, err.Error())
	}
	begins, moment := r.soon(), time.Duration(rng.Int64N(int64(150*time.Millisecond)))
	for i := range uint64(3) {
		at := begins.Add(time.Duration(i) * (bus.CostOf(r.array, p.Ops).Total() + r.array.Up(time.Millisecond)))
		if err := r.Submit(at, r.segment(p, i)); err != nil {
			return r.ends(t, err.Error())
		}
	}
	if err := r.WaitUntil(within(t), begins.Add(moment-10*time.Millisecond)); err != nil {
		return r.ends(t, err.Error())
	}
	lost := r.Now()
	if !r.away(t, round%3) {
		return r.ends(t, "it was lost before")
	}
	said := r.inactiveBy(t, begins, lost.Add(lease+r.limits.Release))
	return r.ends(t, said)
}

// leased is a bus with a lease on a device, and a program that lasts.
func leased(t *testing.T, device *bridgetest.Rig, array *chipmodel.Array, lease, lasts time.Duration) (*rig,
	*bus.Program) {
	t.Helper()
	d := dial(t, device.Address)
	a, err := array.OnGrain(d.Grain())
	if err != nil {
		t.Fatal(err)
	}
	b, err := New(t.Context(), Config{Device: d, Array: a, Lease: lease})
	if err != nil {
		t.Fatal(err)
	}
	return &rig{Rig: device, Bus: b}, lasting(a, lasts)
}

// ends closes the bus and returns what is said.
func (r *rig) ends(t *testing.T, said string) string {
	t.Helper()
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	return said
}

// inactiveBy waits until the runs from a time on were broken off at the pins, and tells where that was after latest, or
// where they were not running. What happens at the pins behind it fails the test.
func (r *rig) inactiveBy(t *testing.T, begins, latest bus.Time) string {
	t.Helper()
	var pins []bustest.Pin
	inactive := func() bool {
		pins = r.Pins(begins, bus.Time(1)<<60)
		return len(pins) > 0 && pins[len(pins)-1].Kind == bustest.PinLines && pins[len(pins)-1].Value == 0
	}
	for began := time.Now(); !inactive(); time.Sleep(5 * time.Millisecond) { // until the lease has ended
		if len(pins) == 0 && time.Since(began) > 3*time.Second { // it was lost before the run began
			return "nothing ran"
		}
		if time.Since(began) > 20*time.Second {
			t.Errorf("lines stay active: %+v", pins)
			return "lines stay active"
		}
	}
	ran := false
	for _, pin := range pins[:len(pins)-1] {
		ran = ran || pin.Kind == bustest.PinLines && pin.Value != 0
		if pin.Kind == bustest.PinStrobe { // the last of a run's operations
			return "a run had ended"
		}
	}
	switch last := pins[len(pins)-1]; {
	case !ran:
		return "nothing ran"
	case last.At > latest:
		return fmt.Sprintf("lines were inactive at %v, %v too late", last.At, last.At.Sub(latest))
	}
	return ""
}

// away loses the host: it is cut off, says nothing any more, or stops in the middle of a message. False: it was lost
// already, as this machine stood still for the lease.
func (r *rig) away(t *testing.T, how int) bool {
	t.Helper()
	r.mu.Lock()
	s := r.session
	r.mu.Unlock()
	if s == nil {
		return false
	}
	switch how {
	case 0:
		s.fail(errEnded)
	case 1:
		s.quiet(nil)
	default:
		f := wire.Frame{Header: wire.Header{Type: wire.TypeAlive, Session: s.number, Boot: s.boot},
			Payload: wire.Append(nil, wire.Alive{})}
		b, err := f.Encode([]byte{wire.HeaderSize + 4, 0, 0, 0})
		if err != nil {
			t.Fatal(err)
		}
		s.quiet(b[:len(b)/2])
	}
	return true
}

// quiet sends no whole message any more: the goroutine that beats waits for its turn.
func (s *session) quiet(half []byte) {
	s.sending.Lock()
	if half != nil {
		_, _ = s.conn.(io.Writer).Write(half) // which may have ended
	}
	time.AfterFunc(340*time.Millisecond, s.sending.Unlock)
}

// TestALostHostByTheDevicesTime: on an emulated board, whose time goes on without its host, every line is inactive
// within the lease and the release limit after it last heard of that, by its own time, at random moments. Whether it
// runs when its host is lost is a matter of chance: this machine may be slower than the board's time. Only where it did
// something was seen.
func TestALostHostByTheDevicesTime(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	array := bustest.MustLinearArray()
	device := bridgetest.Start(t, bridgetest.Config{Array: array, Scene: light(t), Emulated: true, Ahead: -1})
	seen, want, round := 0, lostHosts(t, 3), 0
	for ; seen < want && round < 10*want; round++ {
		said := lostByTheDevicesTime(t, device, array, rng, round)
		if t.Failed() {
			t.Fatalf("seed %d, round %d: %s", seed, round, said)
		}
		if said == "" {
			seen++
		}
	}
	t.Logf("%d rounds of %d", seen, round)
	if seen < want {
		t.Errorf("seed %d: in only %d of %d rounds the host was lost while a run was on", seed, seen, round)
	}
}

// lostByTheDevicesTime loses the host of a board; "": while it ran, and it was inactive in time. Otherwise it tells why
// nothing was seen.
func lostByTheDevicesTime(t *testing.T, device *bridgetest.Rig, array *chipmodel.Array, rng *rand.Rand,
	round int) string {
	t.Helper()
	const lease = 100 * time.Millisecond
	r, p := leased(t, device, array, lease, 400*time.Millisecond)
	if err := r.Prepare(within(t), []*bus.Program{p}); err != nil {
		return r.ends(t, err.Error())
	}
	begins := r.array.UpTime(r.Now().Add(200 * time.Millisecond)) // it goes on while the run is on its way
	if err := r.Submit(begins, r.segment(p, 0)); err != nil {
		return r.ends(t, err.Error())
	}
	if err := r.WaitUntil(within(t), begins.Add(time.Duration(rng.Int64N(int64(100*time.Millisecond))))); err != nil {
		return r.ends(t, err.Error())
	}
	r.mu.Lock()
	s := r.session
	r.mu.Unlock()
	if s == nil {
		return r.ends(t, "it was lost before")
	}
	s.sending.Lock()
	if round%2 == 1 { // in the middle of a message
		_, _ = s.conn.(io.Writer).Write([]byte{wire.HeaderSize + 4, 0, 0, 0, wire.TypeAlive}) // which may have ended
	}
	said := r.inactiveBy(t, begins, bus.Time(1)<<60)
	latest := bus.Time(device.Heard()).Add(lease + r.limits.Release)
	for _, pin := range r.Pins(begins, bus.Time(1)<<60) {
		if said == "" && pin.At > latest {
			t.Errorf("at %v, and it had heard of its host until %v: %+v", pin.At, device.Heard(), pin)
		}
	}
	s.sending.Unlock()
	return r.ends(t, said)
}
