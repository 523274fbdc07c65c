package bridge

import (
	"math"
	"strings"
	"testing"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/wire"
)

// TestAReleaseBeforeARunBegins: what waits when the lines are released was not begun, even where a run before it has
// ended: it is recalled, and not said to be broken off.
func TestAReleaseBeforeARunBegins(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, bridgetest.Config{}), within(t)
	p := programsOnly(t, ctx, r)
	r.submit(t, p, 1, r.soon())
	if res, err := r.Next(ctx); err != nil || res.Err != nil {
		t.Fatalf("%v, %v", err, res.Err)
	}
	r.submit(t, p, 1, r.soon().Add(r.array.Up(10*time.Second)))
	if _, err := r.Release(ctx); err != nil {
		t.Fatal(err)
	}
	if res, err := r.Next(ctx); err != nil || !res.Refused() || res.Ran != 0 {
		t.Errorf("%v, %v, %d operations ran", err, res.Err, res.Ran)
	}
}

// TestAnUploadThatWasGivenUp: a host that gave an upload up in its middle can begin it again, and what was given up
// takes no room.
func TestAnUploadThatWasGivenUp(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, bridgetest.Config{}), within(t)
	b := bus.NewBuilder(r.array)
	for range 200 {
		b.Wait(time.Microsecond)
	}
	p := &bus.Program{Ops: b.Take()}
	c, err := compile(r.array, p)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 2 * int(r.session.welcome.Programs) {
		m := wire.Program{Hash: c.hash, Length: uint32(len(c.code))}
		m.Hash[0] += uint8(i)
		got, err := r.ask(ctx, wire.TypeProgram, append(wire.Append(nil, m), c.code[:1000]...))
		if err != nil || got.Code != wire.ReplyMore {
			t.Fatalf("part of program %d: %+v, %v", i, got, err)
		}
	}
	if _, err := r.ask(ctx, wire.TypeProgram, append(wire.Append(nil, wire.Program{Hash: c.hash,
		Length: uint32(len(c.code))}), c.code[:1000]...)); err != nil {
		t.Fatal(err)
	}
	if err := r.Prepare(ctx, []*bus.Program{p}); err != nil {
		t.Error(err)
	}
}

// TestNumbersBeginAgain: numbers of runs begin again at 0 behind the highest, and nothing is recalled for it.
func TestNumbersBeginAgain(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, bridgetest.Config{}), within(t)
	p := programsOnly(t, ctx, r)
	r.mu.Lock()
	r.ids = math.MaxUint32 - 1
	r.taken = r.ids
	r.mu.Unlock()
	if err := r.Submit(r.array.UpTime(r.Now()), r.segment(p, 0)); err != nil { // too late
		t.Fatal(err)
	}
	if res, err := r.Next(ctx); err != nil || !res.Refused() {
		t.Fatalf("%v, %v", err, res.Err)
	}
	r.submit(t, p, 2, r.soon())
	for i := range 2 {
		if res, err := r.Next(ctx); err != nil || res.Err != nil {
			t.Errorf("run %d behind the highest number: %v, %v", i, err, res.Err)
		}
	}
}

// TestBehindARunThatCannotBeRead: what was submitted behind a run that the device does not take, by a host that does
// not know yet, is recalled by the device.
func TestBehindARunThatCannotBeRead(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, bridgetest.Config{}), within(t)
	p := programsOnly(t, ctx, r)
	c := r.programs[p]
	right := c.index
	c.index = 63 // where nothing is
	far := r.soon().Add(r.array.Up(5 * time.Minute))
	r.submit(t, p, 1, far)
	c.index = right
	r.submit(t, p, 1, far.Add(r.array.Up(time.Second)))
	if err := r.await(ctx, func() bool { return r.flights[1].result != nil }); err != nil {
		t.Fatal(err)
	}
	if res, err := r.Next(ctx); err != nil || res.Err == nil {
		t.Errorf("%v, %v", err, res.Err)
	}
	if res, err := r.Next(ctx); err != nil || !res.Refused() {
		t.Errorf("%v, %v", err, res.Err)
	}
}

// TestNoLease: a device takes no configuration without a lease.
func TestNoLease(t *testing.T) {
	t.Parallel()
	r := start(t, bridgetest.Config{})
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	s := dial(t, r.Address).session
	defer s.close()
	for i, lease := range []uint64{0, 1 << 40} {
		m := wire.Config{Lease: lease, Lines: 1, Lanes: 1}
		if err := s.send(wire.TypeConfig, wire.Append(nil, m)); err != nil {
			t.Fatal(err)
		}
		f, err := s.next()
		if err != nil || f.Type != wire.TypeReply {
			t.Fatalf("%+v, %v", f, err)
		}
		var reply wire.Reply
		if _, err := wire.Take(f.Payload, &reply); err != nil || (reply.Code == wire.ReplyOK) != (i == 1) {
			t.Errorf("a lease of %d ticks: %+v, %v", lease, reply, err)
		}
	}
}

// TestALateAnswer: the answer to what was asked before, and is not waited for any more, is not taken for that to what
// is asked now.
func TestALateAnswer(t *testing.T) {
	t.Parallel()
	r := start(t, bridgetest.Config{})
	answer := func(ack uint32) *wire.Frame {
		return &wire.Frame{Header: wire.Header{Type: wire.TypeReply}, Payload: wire.Append(nil,
			wire.Reply{To: wire.TypeProgram, Code: wire.ReplyOK, Index: uint16(ack), Answers: ack})}
	}
	r.mu.Lock()
	r.asked = 1000
	s := r.session
	r.mu.Unlock()
	r.take(s, answer(999))
	r.mu.Lock()
	if r.reply != nil {
		t.Errorf("the answer to another question was taken: %+v", r.reply)
	}
	r.mu.Unlock()
	r.take(s, answer(1000))
	r.mu.Lock()
	if r.reply == nil || r.reply.Index != 1000 {
		t.Errorf("the answer was not taken: %+v", r.reply)
	}
	r.mu.Unlock()
}

// TestRowsThatComeTwice: codes that a device sends twice do not stand for those that it does not send.
func TestRowsThatComeTwice(t *testing.T) {
	r, ctx := start(t, bridgetest.Config{}), within(t)
	p := programsOnly(t, ctx, r)
	f := &flight{segment: r.segment(p, 0), ops: p.Ops}
	f.expect(r.array)
	for i, scan := range f.scans {
		if scan == nil {
			continue
		}
		w := scan.scan.Window
		m := wire.Data{Op: uint16(i), Lane: uint8(r.array.Chips[scan.scan.Chips[0]].Lane)}
		codes := make([]byte, 2*w.Columns)
		if err := f.put(&m, codes, 1000, r.array); err != nil {
			t.Fatal(err)
		}
		if err := f.put(&m, codes, 1000, r.array); err == nil || !strings.Contains(err.Error(), "order") {
			t.Errorf("the first row came twice: %v", err)
		}
		return
	}
	t.Fatal("the program reads nothing")
}
