package bridge

import (
	"errors"
	"io"
	"math/rand/v2"
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
// line inactive within the lease and the release limit, by the device's own clock at its pins.
func TestALostHost(t *testing.T) {
	t.Parallel()
	const lease = 200 * time.Millisecond
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	array := bustest.MustLinearArray()
	device := bridgetest.Start(t, bridgetest.Config{Array: array, Scene: light(t)})
	held := 0
	for round := range peertest.Cases(4, 1000) {
		d := dial(t, device.Address)
		a, err := array.OnGrain(d.Grain())
		if err != nil {
			t.Fatal(err)
		}
		b, err := New(t.Context(), Config{Device: d, Array: a, Lease: lease})
		if err != nil {
			t.Fatal(err)
		}
		ctx := within(t)
		r := &rig{Rig: device, Bus: b}
		p := long(a)
		if err := r.Prepare(ctx, []*bus.Program{p}); err != nil {
			t.Fatal(err)
		}
		begins, moment := r.soon(), time.Duration(rng.Int64N(int64(150*time.Millisecond)))
		r.submit(t, p, 3, begins)
		if err := r.WaitUntil(ctx, begins.Add(moment-10*time.Millisecond)); err != nil {
			t.Fatal(err)
		}
		lost := r.Now()
		r.away(t, round%3)
		time.Sleep(lease + 150*time.Millisecond) // the device's time is that of the machine
		latest := lost.Add(lease + r.limits.Release)
		active := uint64(0)
		for _, pin := range r.Pins(begins, bus.Time(1)<<60) {
			if pin.Kind == bustest.PinLines {
				active = pin.Value
			}
			if pin.At > latest {
				t.Errorf("round %d: at %v, %v after the host was lost: %+v", round, pin.At, pin.At.Sub(lost), pin)
			}
		}
		if active != 0 {
			t.Errorf("round %d: lines %x stay active", round, active)
		} else {
			held++
		}
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}
	t.Logf("%d times inactive", held)
}

// away loses the host: it is cut off, says nothing any more, or stops in the middle of a message.
func (r *rig) away(t *testing.T, how int) {
	t.Helper()
	r.mu.Lock()
	s := r.session
	r.mu.Unlock()
	if s == nil { // this machine stood still for the lease: it is lost already
		return
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
// within the lease and the release limit after it last heard of that, by its own time, at random moments.
func TestALostHostByTheDevicesTime(t *testing.T) {
	t.Parallel()
	const lease = 100 * time.Millisecond
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	array := bustest.MustLinearArray()
	device := bridgetest.Start(t, bridgetest.Config{Array: array, Scene: light(t), Emulated: true, Ahead: -1})
	for round := range peertest.Cases(3, 1000) {
		if !lostByTheDevicesTime(t, device, array, lease, rng, round) {
			t.Fatalf("seed %d, round %d", seed, round)
		}
	}
}

func lostByTheDevicesTime(t *testing.T, device *bridgetest.Rig, array *chipmodel.Array, lease time.Duration,
	rng *rand.Rand, round int) bool {
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
	ctx := within(t)
	r := &rig{Rig: device, Bus: b}
	p := lasting(a, 400*time.Millisecond)
	if err := r.Prepare(ctx, []*bus.Program{p}); err != nil {
		t.Fatal(err)
	}
	begins := a.UpTime(r.Now().Add(200 * time.Millisecond)) // it goes on while the run is on its way
	r.submit(t, p, 1, begins)
	// Whether it runs when its host is lost is a matter of chance: this machine may be slower than the board's time.
	if err := r.WaitUntil(ctx, begins.Add(time.Duration(rng.Int64N(int64(100*time.Millisecond))))); err != nil {
		return errors.As(err, new(*bus.LostError))
	}
	r.mu.Lock()
	s := r.session
	r.mu.Unlock()
	if s == nil {
		return b.Close() == nil
	}
	s.sending.Lock()
	if round%2 == 1 { // in the middle of a message
		_, _ = s.conn.(io.Writer).Write([]byte{wire.HeaderSize + 4, 0, 0, 0, wire.TypeAlive}) // which may have ended
	}
	inactive := func() bool {
		pins := r.Pins(begins, bus.Time(1)<<60)
		return len(pins) > 0 && pins[len(pins)-1].Kind == bustest.PinLines && pins[len(pins)-1].Value == 0
	}
	for began := time.Now(); !inactive() && time.Since(began) < 20*time.Second; {
		time.Sleep(5 * time.Millisecond) // until the board's lease has ended
	}
	latest := bus.Time(device.Heard()).Add(lease + r.limits.Release)
	ok := inactive()
	for _, pin := range r.Pins(begins, bus.Time(1)<<60) {
		if pin.At > latest {
			t.Errorf("at %v, and it had heard of its host until %v: %+v", pin.At, device.Heard(), pin)
			ok = false
		}
	}
	s.sending.Unlock()
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	return ok
}
