package bridge

import (
	"context"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"facetd.example/api/peertest"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
)

// overUDP is a rig whose link is datagrams, overSerial one whose link is a pseudo-terminal.
func overUDP(t *testing.T, cfg bridgetest.Config) bridgetest.Config {
	t.Helper()
	free, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	cfg.Link = "udp:" + free.LocalAddr().String()
	cfg.HostLink = cfg.Link
	if err := free.Close(); err != nil {
		t.Fatal(err)
	}
	return cfg
}

func overSerial(t *testing.T, cfg bridgetest.Config) bridgetest.Config {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tty")
	cfg.Link, cfg.HostLink = "pty:"+path, "serial:"+path
	return cfg
}

// TestFaultyLinks: over a serial line and over datagrams, clean ones and such as lose, double, spoil and reorder 5 % of
// the packets each, captures are those of a virtual bus, byte for byte, and the pins are driven as planned: nothing is
// lost, and nothing is done twice.
func TestFaultyLinks(t *testing.T) {
	for _, permille := range []int{0, 50} {
		for name, over := range map[string]func(*testing.T, bridgetest.Config) bridgetest.Config{"udp": overUDP,
			"serial": overSerial} {
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				for range peertest.Cases(1, 30) {
					seed := 1 + rand.IntN(1_000_000)
					t.Logf("%d in 1000 packets, seed %d", permille, seed)
					r, said := conform(t, func() *rig {
						return start(t, over(t, bridgetest.Config{LinkFaults: permille, LinkSeed: seed}))
					})
					if said != "" {
						t.Errorf("seed %d: %s", seed, said)
					}
					c := r.Link()
					t.Logf("%+v", c)
					if permille > 0 && c.Resent+c.Doubled+c.Ahead+c.Spoiled == 0 {
						t.Errorf("nothing was tried: %+v", c)
					}
				}
			})
		}
	}
}

// TestASecondHost: a device that is in use is refused, with the name of who uses it, and goes on as before; on purpose
// it can be taken over, which the first host is told; who has lost his session has his own device again at once.
func TestASecondHost(t *testing.T) {
	for name, over := range map[string]func(*testing.T, bridgetest.Config) bridgetest.Config{"udp": overUDP,
		"unix": func(_ *testing.T, cfg bridgetest.Config) bridgetest.Config { return cfg }} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r, ctx := start(t, over(t, bridgetest.Config{})), within(t)
			p := programsOnly(t, ctx, r)
			other := ownProcess()
			other.owner++
			copy(other.name[:], "the other one")
			_, err := greet(ctx, r.Address, other)
			var inUse *InUseError
			if !errors.As(err, &inUse) || inUse.Taken || !strings.Contains(inUse.Holder, "pid") ||
				inUse.Heard > 30*time.Second {
				t.Fatalf("a second host: %v", err)
			}
			r.submit(t, p, 1, r.soon())
			if res, err := r.Next(ctx); err != nil || res.Err != nil {
				t.Fatalf("the first host: %v, %v", err, res.Err)
			}
			other.takeOver = true
			s, err := greet(ctx, r.Address, other)
			if err != nil {
				t.Fatal(err)
			}
			if err := lostIs(t, r); !errors.As(err, &inUse) || !inUse.Taken || inUse.Holder != "the other one" {
				t.Errorf("lost: %v", err)
			}
			s.close()
		})
	}
}

// TestAHostThatComesBack: a host that was killed, and left no word, has its device again within two seconds, with every
// program that it had uploaded.
func TestAHostThatComesBack(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, overUDP(t, bridgetest.Config{})), within(t)
	all := programs(r.array)
	if err := r.Prepare(ctx, all); err != nil {
		t.Fatal(err)
	}
	r.mu.Lock()
	s := r.session
	r.mu.Unlock()
	s.fail(errEnded) // over datagrams the device does not hear of it
	killed := time.Now()
	other := ownProcess() // as another process
	other.owner++
	var again *session
	for {
		brief, cancel := context.WithTimeout(ctx, 10*time.Second)
		var err error
		again, err = greet(brief, r.Address, other)
		cancel()
		if err == nil {
			break
		}
		if !errors.As(err, new(*InUseError)) {
			t.Fatal(err)
		}
		time.Sleep(20 * time.Millisecond) // until the lease has ended
	}
	defer again.close()
	if took := time.Since(killed); took > 2*time.Second {
		t.Errorf("it took %v", took)
	}
	if len(again.held) != len(all) {
		t.Errorf("%d programs are kept of %d", len(again.held), len(all))
	}
}

// TestAHostInThePlaceOfADead: over datagrams a device does not hear that its host was killed. Who dials in its place is
// let in as soon as the lease has ended, with every program kept; beside a host that lives, nobody is, and is told
// soon.
func TestAHostInThePlaceOfADead(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, overUDP(t, bridgetest.Config{})), within(t)
	all := programs(r.array)
	if err := r.Prepare(ctx, all); err != nil {
		t.Fatal(err)
	}
	other := ownProcess()
	other.owner++
	for try := 1; ; try++ { // this machine may stand still for the lease
		s, err := greetPatiently(ctx, r.Address, other)
		if errors.As(err, new(*InUseError)) {
			break
		}
		if err != nil || try == tries {
			t.Fatalf("beside a host that lives: %v", err)
		}
		s.close()
		again(t, ctx, r, all[4])
		if err := r.Prepare(ctx, all); err != nil {
			t.Fatal(err)
		}
	}
	r.mu.Lock()
	s := r.session
	r.mu.Unlock()
	s.fail(errEnded)
	killed := time.Now()
	again, err := greetPatiently(ctx, r.Address, other)
	if err != nil {
		t.Fatal(err)
	}
	defer again.close()
	t.Logf("let in after %v", time.Since(killed))
	if len(again.held) != len(all) {
		t.Errorf("%d programs are kept of %d", len(again.held), len(all))
	}
}

// TestASerialPortThatIsGone: a port that is not there is an error that names it.
func TestASerialPortThatIsGone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ttyX")
	if _, err := Dial(t.Context(), "serial:"+path, false); err == nil || !strings.Contains(err.Error(), path) {
		t.Errorf("%v", err)
	}
	if _, err := os.Stat(path); err == nil {
		t.Error("it was made")
	}
}

// TestASerialPortThatTakesNothing: a device that reads nothing from its line any more, as one that hangs, is lost: who
// sends to it does not wait for ever. The bus goes on with it, or with another at the port, once that is there.
func TestASerialPortThatTakesNothing(t *testing.T) {
	t.Parallel()
	cfg := overSerial(t, bridgetest.Config{})
	r, ctx := start(t, cfg), within(t)
	p := programsOnly(t, ctx, r)
	r.mu.Lock()
	conn := r.session.conn
	r.mu.Unlock()
	if err := r.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() {
		f := wire.Frame{Header: wire.Header{Type: wire.TypeAck}, Payload: make([]byte, wire.MaxPayload)}
		for {
			if err := conn.Send(&f); err != nil { // as the line is stuck, or was closed for its silence
				ended <- err
				return
			}
		}
	}()
	if err := lostIs(t, r); err == nil {
		t.Error("lost without a cause")
	}
	select {
	case <-ended:
	case <-time.After(30 * time.Second):
		t.Fatal("who sends waits for ever")
	}
	if err := r.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	again(t, ctx, r, p)
	if err := r.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if err := lostIs(t, r); err == nil {
		t.Error("lost without a cause")
	}
	cfg.Array, cfg.Scene = bustest.MustLinearArray(), light(t)
	bridgetest.Start(t, cfg)
	again(t, ctx, r, p)
}

// TestTwoHostsAtOnce: of two hosts who come at once the second has the device; the first is told by whom it is used.
func TestTwoHostsAtOnce(t *testing.T) {
	t.Parallel()
	for name, over := range map[string]func(*testing.T, bridgetest.Config) bridgetest.Config{"udp": overUDP,
		"unix": func(_ *testing.T, cfg bridgetest.Config) bridgetest.Config { return cfg }} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			device := bridgetest.Start(t, over(t, bridgetest.Config{Array: bustest.MustLinearArray(), Scene: light(t)}))
			first := dial(t, device.Address).session
			defer first.close()
			other := ownProcess()
			other.owner++
			copy(other.name[:], "the other one")
			second, err := greet(within(t), device.Address, other)
			if err != nil {
				t.Fatal(err)
			}
			defer second.close()
			_ = first.conn.SetReadDeadline(time.Now().Add(20 * time.Second)) // the reading tells
			f, err := first.next()
			var inUse *InUseError
			if !errors.As(err, &inUse) || inUse.Taken || inUse.Holder != "the other one" {
				t.Errorf("the first host: %+v, %v", f, err)
			}
		})
	}
}

// TestAStrangerWhoDoesNotAnswer: a device does not send for ever to who has said one word, which may have been said in
// somebody else's name, and no more than a fixed number of times.
func TestAStrangerWhoDoesNotAnswer(t *testing.T) {
	t.Parallel()
	cfg := overUDP(t, bridgetest.Config{Array: bustest.MustLinearArray(), Scene: light(t)})
	device := bridgetest.Start(t, cfg)
	dial(t, device.Address).Close() // it listens
	conn, err := net.Dial("udp", strings.TrimPrefix(device.Address, "udp:"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	hello := wire.Frame{Header: wire.Header{Type: wire.TypeHello, Session: 77},
		Payload: wire.Append(nil, wire.Hello{Major: wire.Major, Minor: wire.Minor, Window: wire.MaxWindow, Owner: 5})}
	b, err := hello.Encode(nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Write(binary.LittleEndian.AppendUint32(b, crc32.ChecksumIEEE(b))); err != nil {
		t.Fatal(err)
	}
	n := 0
	for ; n < 50; n++ { // each at most a third of a second behind the one before
		_ = conn.SetReadDeadline(time.Now().Add(2 * time.Second)) // the reading tells
		if _, err := conn.Read(make([]byte, 2000)); err != nil {
			break
		}
	}
	if n == 0 || n > 20 {
		t.Errorf("%d packets came for one", n)
	}
}
