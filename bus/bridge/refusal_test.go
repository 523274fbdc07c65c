package bridge

import (
	"errors"
	"io"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
)

// newPretended is a bus of a device at an address that knows of pins, or why there is none.
func newPretended(t *testing.T, address string) (*Bus, error) {
	t.Helper()
	d := dial(t, address)
	a, err := bustest.MustLinearArray().OnGrain(d.Grain())
	if err != nil {
		t.Fatal(err)
	}
	return New(t.Context(), Config{Device: d, Array: a})
}

// knowing answers the handshake as a device that knows of pins, says of its self-test what tested is and refuses its
// configuration with a code and detail.
func knowing(tested wire.Tested, code uint8, detail uint32) func(f *wire.Frame, reply func(uint8, []byte)) {
	return func(f *wire.Frame, reply func(uint8, []byte)) {
		switch f.Type {
		case wire.TypeHello:
			proper(f, func(kind uint8, payload []byte) {
				var w wire.Welcome
				_, _ = wire.Take(payload, &w) // it is its own
				w.Minor = wire.MinorPins
				reply(kind, wire.Append(nil, w))
			})
		case wire.TypeSelfTest:
			if detail == wire.PinsMissing {
				reply(wire.TypeReply, wire.Append(nil, wire.Reply{To: f.Type, Answers: f.Seq, Code: wire.ReplyOrder}))
				return
			}
			reply(wire.TypeTested, wire.Append(nil, tested))
		case wire.TypeConfig:
			reply(wire.TypeReply, wire.Append(nil, wire.Reply{To: f.Type, Answers: f.Seq, Code: code, Detail: detail}))
		default:
			proper(f, reply)
		}
	}
}

// TestABoardWithoutNumbering: a board that has to be told its pins, and is not, is refused for that, and not for what
// it answers when it is asked for its self-test.
func TestABoardWithoutNumbering(t *testing.T) {
	t.Parallel()
	_, err := newPretended(t, pretend(t, knowing(wire.Tested{}, wire.ReplyPins, wire.PinsMissing)))
	var wrong *PinsError
	if !errors.As(err, &wrong) || wrong.Why != wire.PinsMissing || !strings.Contains(err.Error(), "device section") {
		t.Errorf("%v", err)
	}
}

// TestASelfTestOfAnother: whatever a device says of a self-test that it was not asked to do is an error at most.
func TestASelfTestOfAnother(t *testing.T) {
	t.Parallel()
	for code := range uint8(12) {
		tested := wire.Tested{Code: code, Signal: 7 * code, Input: 200, Required: 1}
		b, err := newPretended(t, pretend(t, knowing(tested, wire.ReplyUntested, 0)))
		if err != nil {
			t.Fatalf("code %d: %v", code, err)
		}
		if st := b.Status().SelfTest; st.Passed != (code == wire.TestPassed) || st.Passed == (st.Failure != "") &&
			code != wire.TestNever {
			t.Errorf("code %d: %+v", code, st)
		}
		_ = b.Close() // it pretends
	}
}

// TestADeviceThatIsLeftAlone: a board that waits for a person is not asked twenty times a second, and at once again
// after its self-test; what is in the way is said once. Who tests it waits for who connects: at a serial port only one
// of the two could.
func TestADeviceThatIsLeftAlone(t *testing.T) {
	t.Parallel()
	var greeted, blocks atomic.Int32
	gate := make(chan struct{})
	says := knowing(wire.Tested{Code: wire.TestNever, Required: 1}, wire.ReplyUntested, 0)
	behind := pretend(t, func(f *wire.Frame, reply func(uint8, []byte)) {
		if f.Type == wire.TypeAlive && blocks.CompareAndSwap(1, 0) {
			<-gate
		}
		says(f, reply)
	})
	address, accepted := counted(t, behind)
	b, err := newPretended(t, address)
	if err != nil {
		t.Fatal(err)
	}
	ctx := within(t)
	for range 20 {
		err := b.Prepare(ctx, nil)
		if !errors.As(err, new(*UntestedError)) || strings.Count(err.Error(), "has not passed") != 1 {
			t.Fatalf("%v", err)
		}
	}
	if greeted.Store(accepted.Load()); greeted.Load() > 2 { // this machine may stand still for the pause
		t.Errorf("it was connected to %d times", greeted.Load())
	}
	b.mu.Lock()
	b.again = time.Time{}
	b.mu.Unlock()
	blocks.Store(1)
	prepared, tested := make(chan error, 1), make(chan error, 1)
	go func() { prepared <- b.Prepare(ctx, nil) }()
	for blocks.Load() == 1 {
		time.Sleep(time.Millisecond) // until it connects
	}
	go func() {
		_, err := b.SelfTest(ctx)
		tested <- err
	}()
	time.Sleep(30 * time.Millisecond) // in which it would have connected, too
	if n := accepted.Load() - greeted.Load(); n != 1 {
		t.Errorf("%d connections at once", n)
	}
	close(gate)
	if err := <-prepared; !errors.As(err, new(*UntestedError)) {
		t.Errorf("%v", err)
	}
	if err := <-tested; err != nil {
		t.Errorf("the self-test: %v", err)
	}
	before := accepted.Load()
	if err := b.Prepare(ctx, nil); err == nil || accepted.Load() == before {
		t.Errorf("after its self-test it is left alone: %v", err)
	}
	_ = b.Close() // it pretends
}

// counted is an address that leads to another one, and how many connections there were.
func counted(t *testing.T, to string) (address string, accepted *atomic.Int32) {
	t.Helper()
	path := t.TempDir() + "/link"
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	accepted = new(atomic.Int32)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			accepted.Add(1)
			out, err := net.Dial("unix", strings.TrimPrefix(to, "unix:"))
			if err != nil {
				_ = in.Close() // who connects tells
				continue
			}
			go carry(in, out)
			go carry(out, in)
		}
	}()
	t.Cleanup(func() { _ = l.Close(); <-ended })
	return "unix:" + path, accepted
}

// carry carries what one says to the other, until one of them hangs up.
func carry(to, from net.Conn) {
	_, _ = io.Copy(to, from) // who reads tells
	_, _ = to.Close(), from.Close()
}
