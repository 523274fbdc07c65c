package bridge

import (
	"context"
	"errors"
	"math/rand/v2"
	"net"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"facetd.example/bus"
	"facetd.example/bus/bridge/link"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
)

// pretend is a device that shakes hands as one should, and goes on as answer says, until the connection ends.
func pretend(t *testing.T, answer func(f *wire.Frame, reply func(kind uint8, payload []byte))) string {
	t.Helper()
	path := t.TempDir() + "/link"
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			seq, got := uint32(0), uint32(0)
			for f, err := wire.ReadStream(conn); err == nil; f, err = wire.ReadStream(conn) {
				if f.Type == wire.TypeAck { // there is nothing to answer
					continue
				}
				got = max(got, f.Seq)
				answer(&f, func(kind uint8, payload []byte) {
					out := wire.Frame{Header: wire.Header{Type: kind, Session: f.Session, Boot: 3, Ack: got},
						Payload: payload}
					if link.Numbered(kind) {
						seq++
						out.Seq = seq
					}
					_ = wire.WriteStream(conn, &out) // who has hung up reads nothing
				})
			}
			_ = conn.Close() // it is over
		}
	}()
	t.Cleanup(func() { _ = l.Close(); <-ended })
	return "unix:" + path
}

var pretended = time.Now()

// proper answers the handshake and the configuration, and tells whether it did.
func proper(f *wire.Frame, reply func(kind uint8, payload []byte)) bool {
	now := uint64(time.Since(pretended) / 40)
	switch f.Type {
	case wire.TypeHello:
		reply(wire.TypeWelcome, wire.Append(nil, wire.Welcome{Major: wire.Major, TickNs: 40, Now: now, Ready: 100,
			Release: 10, ArmCost: 1, Store: 1 << 14, Programs: 64, Queue: 16, Lines: 64, Lanes: 8, Window: 8}))
	case wire.TypeAlive:
		var m wire.Alive
		_, _ = wire.Take(f.Payload, &m) // it is the driver's
		reply(wire.TypeClock, wire.Append(nil, wire.Clock{Token: m.Token, Now: now}))
	case wire.TypeConfig:
		reply(wire.TypeReply, wire.Append(nil, wire.Reply{To: wire.TypeConfig, Answers: f.Seq}))
	case wire.TypeProgram:
		reply(wire.TypeReply, wire.Append(nil, wire.Reply{To: wire.TypeProgram, Answers: f.Seq}))
	default:
		return false
	}
	return true
}

// pretender is a bus of a device that pretends.
func pretender(t *testing.T, answer func(f *wire.Frame, reply func(kind uint8, payload []byte))) *Bus {
	t.Helper()
	d := dial(t, pretend(t, answer))
	a, err := bustest.MustLinearArray().OnGrain(d.Grain())
	if err != nil {
		t.Fatal(err)
	}
	b, err := New(t.Context(), Config{Device: d, Array: a, Lease: 300 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestADeviceThatTalksNonsense: whatever a device sends, no run of it is taken for whole that was not told of wholly,
// every run has a result, and the driver goes on.
func TestADeviceThatTalksNonsense(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	b := pretender(t, func(f *wire.Frame, reply func(uint8, []byte)) {
		if proper(f, reply) {
			return
		}
		for range 50 {
			kind := []uint8{wire.TypeData, wire.TypeTimes, wire.TypeReply, wire.TypeReleased, wire.TypeClock, 99,
				wire.TypeData, wire.TypeTimes, wire.TypeData, wire.TypeTimes, wire.TypeData}[rng.IntN(11)]
			payload := make([]byte, 8*rng.IntN(20))
			for i := range payload {
				if rng.IntN(3) == 0 {
					payload[i] = byte(rng.Uint32())
				}
			}
			if f.Type == wire.TypeSubmit && len(payload) > 4 && rng.IntN(4) > 0 { // of the run that there is
				copy(payload, f.Payload[:4])
			}
			reply(kind, payload)
		}
		if f.Type == wire.TypeSubmit && rng.IntN(2) == 0 {
			var m wire.Submit
			_, _ = wire.Take(f.Payload, &m) // it is the driver's
			reply(wire.TypeResult, wire.Append(nil,
				wire.Result{Id: m.Id, Ran: uint16(rng.IntN(70000)), Start: rng.Uint64(),
					End: rng.Uint64(), Device: rng.Uint64(), Slack: int64(rng.Uint64()), Code: uint8(rng.IntN(9)),
					Cause: uint8(rng.IntN(5))}))
		}
	})
	r, ctx := &rig{Bus: b}, within(t)
	p := programs(b.array)[0]
	for i := range uint64(20) {
		if err := b.Prepare(ctx, []*bus.Program{p}); err != nil {
			t.Fatalf("run %d: %v", i, err)
		}
		if err := b.Submit(r.soon(), r.segment(p, i)); err != nil {
			if errors.As(err, new(*bus.LostError)) {
				continue
			}
			t.Fatal(err)
		}
		brief, cancel := context.WithTimeout(ctx, 20*time.Millisecond)
		res, err := b.Next(brief)
		cancel()
		if err == nil && res.Err == nil {
			t.Errorf("run %d is said to be whole: %+v", i, res)
		}
		if err == nil {
			continue
		}
		b.mu.Lock()
		s := b.session
		b.mu.Unlock()
		if s != nil {
			s.fail(errEnded) // it never tells
		}
		if res, err := b.Next(ctx); err != nil || !errors.As(res.Err, new(*bus.LostError)) && res.Err == nil {
			t.Fatalf("run %d: %v, %v", i, err, res.Err)
		}
	}
	if err := b.Close(); err != nil && !errors.Is(err, context.DeadlineExceeded) {
		t.Error(err)
	}
}

// TestAHandshakeThatIsGivenUp: a device that does not answer is given up when the context ends, and not later.
func TestAHandshakeThatIsGivenUp(t *testing.T) {
	t.Parallel()
	address := pretend(t, func(*wire.Frame, func(uint8, []byte)) {})
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(20*time.Millisecond, cancel)
	began := time.Now()
	if d, err := Dial(ctx, address, false); !errors.Is(err, context.Canceled) || d != nil {
		t.Errorf("%v, %v", d, err)
	}
	if took := time.Since(began); took > handshakeTime/2 {
		t.Errorf("it took %v", took)
	}
}
