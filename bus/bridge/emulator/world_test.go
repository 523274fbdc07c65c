package emulator

import (
	"context"
	"encoding/binary"
	"io"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/goleak"

	"facetd.example/bus/bridge/chips"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel/scene"
)

// TestMain fails when a test leaves a goroutine behind.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// board is the emulated side of the pipes.
type board struct{ out, in *os.File }

// look tells the time and sends frames, and returns what the world answers, up to the empty frame.
func (b *board) look(t *testing.T, now uint64, frames []byte) []byte {
	t.Helper()
	head := binary.LittleEndian.AppendUint64(nil, now)
	head = binary.LittleEndian.AppendUint32(append(head, 0), uint32(len(frames)))
	if _, err := b.out.Write(append(head, frames...)); err != nil {
		t.Fatal(err)
	}
	var all []byte
	for {
		part := make([]byte, 3)
		if _, err := io.ReadFull(b.in, part); err != nil {
			t.Fatal(err)
		}
		n := binary.LittleEndian.Uint16(part[1:])
		if n == 0 {
			return all
		}
		all = append(all, part...)
		if n == 0xffff {
			continue
		}
		part = make([]byte, n)
		if _, err := io.ReadFull(b.in, part); err != nil {
			t.Fatal(err)
		}
		all = append(all, part...)
	}
}

// TestTheBoardWaitsForItsHost: without a host the board stands still; frames go both ways; a board that has not heard
// of its host for too long stands still until it does; a host who has gone is told.
func TestTheBoardWaitsForItsHost(t *testing.T) {
	dir := t.TempDir()
	l, err := net.Listen("unix", filepath.Join(dir, "link"))
	if err != nil {
		t.Fatal(err)
	}
	w, err := New(Config{Dir: dir, Link: l, Ahead: Ahead,
		Chips: chips.Config{Array: bustest.MustLinearArray(), Lamp: chips.NewLamp(scene.Uniform(100))}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- w.Serve(ctx) }()
	defer func() {
		cancel()
		if err := <-served; err != nil {
			t.Error(err)
		}
	}()
	b := &board{}
	for name, f := range map[string]**os.File{"link.out": &b.out, "link.in": &b.in} {
		if *f, err = os.OpenFile(filepath.Join(dir, name), os.O_RDWR, 0); err != nil {
			t.Fatal(err)
		}
		defer func() { _ = (*f).Close() }()
	}
	boot := make([]byte, 4)
	if _, err := io.ReadFull(b.in, boot); err != nil || binary.LittleEndian.Uint32(boot) == 0 {
		t.Fatalf("boot %x, %v", boot, err)
	}
	frame := wire.Frame{Header: wire.Header{Type: wire.TypeHello, Session: 5}, Payload: []byte{1}}
	said := make(chan []byte)
	go func() { said <- b.look(t, 0, nil) }()
	select {
	case <-said:
		t.Fatal("the board goes on without a host")
	case <-time.After(20 * time.Millisecond):
	}
	host, err := net.Dial("unix", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	if err := wire.WriteStream(host, &frame); err != nil {
		t.Fatal(err)
	}
	got := <-said
	for len(got) == 0 { // it went on when the host came, before its frame did
		got = b.look(t, 1, nil)
	}
	if n := len(got); n != 3+wire.HeaderSize+1 || got[0] != 0 || got[n-1] != 1 {
		t.Fatalf("the board gets %x", got)
	}
	raw, err := frame.Encode(nil)
	if err != nil {
		t.Fatal(err)
	}
	b.look(t, 100, append(binary.LittleEndian.AppendUint16([]byte{0}, uint16(len(raw))), raw...))
	if f, err := wire.ReadStream(host); err != nil || f.Session != 5 {
		t.Fatalf("the host gets %+v, %v", f, err)
	}
	limit := uint64(Ahead / tick)
	b.look(t, limit, nil)
	go func() { said <- b.look(t, limit+100, nil) }()
	select {
	case <-said:
		t.Fatal("the board runs away from its host")
	case <-time.After(20 * time.Millisecond):
	}
	if err := host.Close(); err != nil {
		t.Fatal(err)
	}
	if got := <-said; len(got) != 3 || got[1] != 0xff || got[2] != 0xff {
		t.Errorf("of a host who has gone the board is told %x", got)
	}
}

// TestItEndsWhileFramesWait: a host has sent more than the board takes at a look, and the board never looks again.
func TestItEndsWhileFramesWait(t *testing.T) {
	dir := t.TempDir()
	l, err := net.Listen("unix", filepath.Join(dir, "link"))
	if err != nil {
		t.Fatal(err)
	}
	w, err := New(Config{Dir: dir, Link: l, Ahead: Ahead,
		Chips: chips.Config{Array: bustest.MustLinearArray(), Lamp: chips.NewLamp(scene.Uniform(100))}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- w.Serve(ctx) }()
	host, err := net.Dial("unix", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = host.Close() }()
	for range mostFrames + 9 {
		if err := wire.WriteStream(host, &wire.Frame{Header: wire.Header{Type: wire.TypeAlive}}); err != nil {
			t.Fatal(err)
		}
	}
	for full := false; !full; {
		<-w.news // of the first frame; the others are there or come at once
		w.mu.Lock()
		full = w.peers[0] != nil && len(w.peers[0].frames) > mostFrames
		w.mu.Unlock()
	}
	cancel()
	if err := <-served; err != nil {
		t.Error(err)
	}
}
