package link

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"fmt"
	"io"
	"math/rand/v2"
	"os/exec"
	"testing"
	"time"

	"facetd.example/api/peertest"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/wire"
)

// device is the firmware's end of a link, which sends back what it is sent.
type device struct {
	in  io.WriteCloser
	out *bufio.Scanner
}

// newDevice starts the firmware's end for a session.
func newDevice(t *testing.T, path string, session uint32, window int) *device {
	t.Helper()
	cmd := exec.Command(path)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	cmd.Stderr = &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = in.Close() // which ends it
		if err := cmd.Wait(); err != nil {
			t.Errorf("the firmware's end: %v\n%s", err, said.String())
		}
	})
	d := &device{in: in, out: bufio.NewScanner(out)}
	fmt.Fprintf(in, "%d %d\n", session, window)
	return d
}

// do gives the device a time and a packet as it goes over a line, or none, and returns what it sends.
func (d *device) do(t *testing.T, now time.Duration, coded []byte) [][]byte {
	t.Helper()
	text := "-"
	if len(coded) > 0 {
		text = hex.EncodeToString(coded)
	}
	if _, err := fmt.Fprintf(d.in, "%d %s\n", now.Microseconds(), text); err != nil {
		t.Fatal(err)
	}
	var out [][]byte
	for d.out.Scan() && d.out.Text() != "" {
		b, err := hex.DecodeString(d.out.Text())
		if err != nil {
			t.Fatalf("the device says %q", d.out.Text())
		}
		out = append(out, b)
	}
	return out
}

// flight is a packet on its way in a direction.
type onItsWay struct {
	arrives time.Duration
	packet  []byte
}

// way is a direction of a link that loses, doubles, spoils and reorders packets.
type way struct {
	rng      *rand.Rand
	permille int
	packets  []onItsWay
}

func (w *way) chance() bool { return w.rng.IntN(1000) < w.permille }

// send lets a packet go, or not.
func (w *way) send(now time.Duration, packet []byte) {
	if w.chance() {
		return
	}
	for copies := 1; copies > 0; copies-- {
		if w.chance() {
			copies++
		}
		b := bytes.Clone(packet)
		if w.chance() {
			b[w.rng.IntN(len(b))] ^= 1 << w.rng.IntN(8)
		}
		takes := 500*time.Microsecond + time.Duration(w.rng.IntN(200))*time.Microsecond
		if w.chance() {
			takes += time.Duration(w.rng.IntN(30)) * time.Millisecond
		}
		w.packets = append(w.packets, onItsWay{now + takes, b})
	}
}

// arrived takes a packet that has arrived; nil where none has.
func (w *way) arrived(now time.Duration) []byte {
	for i, p := range w.packets {
		if p.arrives <= now {
			w.packets = append(w.packets[:i], w.packets[i+1:]...)
			return p.packet
		}
	}
	return nil
}

// TestNothingIsLostAndNothingComesTwice: messages go to the firmware's end of a link and come back, each once and in
// order, whatever the link loses, doubles, spoils and reorders; the reference is the list of what was sent.
func TestNothingIsLostAndNothingComesTwice(t *testing.T) {
	path := bridgetest.Tool(t, "echo")
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	for round := range peertest.Cases(6, 300) {
		rng := rand.New(rand.NewPCG(seed, uint64(round)))
		permille := []int{0, 10, 50, 50, 200}[round%5]
		echoes(t, path, rng, permille)
		if t.Failed() {
			t.Fatalf("seed %d, round %d, faults of %d in 1000", seed, round, permille)
		}
	}
}

func echoes(t *testing.T, path string, rng *rand.Rand, permille int) {
	session := rng.Uint32()
	there := newDevice(t, path, session, wire.MaxWindow)
	here := NewDelivery(session, true)
	here.Welcome(7, 4)
	to, from := &way{rng: rng, permille: permille}, &way{rng: rng, permille: permille}
	var want [][]byte
	got, now := 0, time.Duration(0)
	for step := 0; step < 300 || got < len(want); step++ {
		now += time.Duration(rng.IntN(1000)) * time.Microsecond
		if now > time.Minute {
			t.Fatalf("after a minute %d of %d messages have come back", got, len(want))
		}
		if step < 300 && rng.IntN(2) == 0 {
			m := binaryNoise(rng)
			want = append(want, m)
			here.Send(uint8(1+rng.IntN(100)), m)
		}
		for _, f := range here.Due(nil, now) {
			b, err := f.Encode(nil)
			if err != nil {
				t.Fatal(err)
			}
			to.send(now, appendCoded(nil, seal(b)))
		}
		for more := true; more; {
			p := to.arrived(now)
			for _, b := range there.do(t, now, p) {
				from.send(now, b)
			}
			more = p != nil
		}
		for p := from.arrived(now); p != nil; p = from.arrived(now) {
			packet, err := decode(bytes.TrimRight(p, "\x00"))
			if err != nil {
				continue
			}
			if f, ok := frameOf(packet); ok && f.Session == session {
				here.Take(&f, now)
			}
		}
		for f := here.Next(); f != nil; f = here.Next() {
			if got == len(want) || !bytes.Equal(f.Payload, want[got]) {
				t.Fatalf("message %d of %d: %x has come back", got, len(want), f.Payload)
			}
			got++
		}
	}
	c := here.Counters()
	if permille == 0 && (c.Resent > 0 || c.Doubled > 0) {
		t.Errorf("without faults: %+v", c)
	}
	if permille >= 50 && (c.Resent == 0 || c.Doubled == 0 || c.Ahead == 0) {
		t.Errorf("nothing was tried: %+v", c)
	}
}

// binaryNoise is a message with many zeros and runs without any, which serial lines tell apart.
func binaryNoise(rng *rand.Rand) []byte {
	b := make([]byte, []int{0, 1, 8, 253, 254, 255, 300, 1000}[rng.IntN(8)]+rng.IntN(3))
	for i := range b {
		if rng.IntN(200) > 0 {
			b[i] = 1 + byte(rng.IntN(255))
		}
	}
	return b
}

// TestNumbersBeginAgain: behind the highest number comes 0, in both directions.
func TestNumbersBeginAgain(t *testing.T) {
	a, b := NewDelivery(1, true), NewDelivery(1, true)
	a.Welcome(1, 4)
	const before = ^uint32(0) - 5
	a.sent, a.acked, b.received = before, before, before
	for i := range 20 {
		a.Send(1, []byte{byte(i)})
	}
	for now := time.Duration(0); now < time.Second; now += time.Millisecond {
		for _, f := range a.Due(nil, now) {
			b.Take(&f, now)
		}
		for _, f := range b.Due(nil, now) {
			a.Take(&f, now)
		}
	}
	for i := range 20 {
		if f := b.Next(); f == nil || f.Payload[0] != byte(i) {
			t.Fatalf("message %d: %+v", i, f)
		}
	}
	if a.Waiting() > 0 || b.Next() != nil {
		t.Errorf("%d are not acknowledged", a.Waiting())
	}
}

// FuzzLine: whatever comes over a line, what is encoded is decoded to the same bytes, has no 0 but the last, and what
// is not a packet is none.
func FuzzLine(f *testing.F) {
	f.Add([]byte{}, []byte{1, 2, 0, 3})
	f.Add(bytes.Repeat([]byte{5}, 254), []byte{255})
	f.Add(bytes.Repeat([]byte{5}, 600), bytes.Repeat([]byte{7}, 255))
	f.Fuzz(func(t *testing.T, packet, raw []byte) {
		coded := appendCoded(nil, packet)
		if n := bytes.IndexByte(coded, 0); n != len(coded)-1 {
			t.Fatalf("a 0 at %d of %d", n, len(coded))
		}
		got, err := decode(bytes.Clone(coded[:len(coded)-1]))
		if err != nil || !bytes.Equal(got, packet) {
			t.Errorf("%x became %x, %v", packet, got, err)
		}
		if b, err := decode(bytes.Clone(raw)); err == nil && len(b) > len(raw) {
			t.Errorf("%d bytes became %d", len(raw), len(b))
		}
	})
}

// TestSpoiledPackets: no packet in which a bit was changed is taken.
func TestSpoiledPackets(t *testing.T) {
	frame := make([]byte, wire.HeaderSize)
	frame[0] = wire.TypeAck
	packet := seal(bytes.Clone(frame))
	if b, err := open(packet); err != nil || !bytes.Equal(b, frame) {
		t.Fatalf("%x, %v", b, err)
	}
	for bit := range 8 * len(packet) {
		bad := bytes.Clone(packet)
		bad[bit/8] ^= 1 << (bit % 8)
		if _, err := open(bad); err == nil {
			t.Errorf("bit %d was changed", bit)
		}
	}
	if _, err := open(packet[:5]); err == nil {
		t.Error("a packet of 5 bytes was taken")
	}
}
