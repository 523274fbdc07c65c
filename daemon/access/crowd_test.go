package access

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/netip"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/api/peertest"
)

// guest is a connection from an address; what it reads never ends.
type guest struct {
	net.Conn
	from   net.Addr
	closed chan struct{}
	read   int
}

func (g *guest) RemoteAddr() net.Addr { return g.from }
func (g *guest) Read(p []byte) (int, error) {
	g.read += len(p)
	return len(p), nil
}
func (g *guest) Close() error {
	close(g.closed)
	return nil
}

func (g *guest) gone() bool {
	select {
	case <-g.closed:
		return true
	default:
		return false
	}
}

// door is a crowd to come into.
type door struct {
	*crowd
	t *testing.T
}

func newDoor(t *testing.T) *door {
	return &door{&crowd{g: newGate(t, DefaultSettings()), at: "the door"}, t}
}

// come brings a guest in from an address; "" is this machine.
func (d *door) come(from string) (*markedConn, *guest) {
	addr := net.Addr(&net.UnixAddr{Name: "@", Net: "unix"})
	if from != "" {
		addr = net.TCPAddrFromAddrPort(netip.AddrPortFrom(netip.MustParseAddr(from), 1))
	}
	g := &guest{from: addr, closed: make(chan struct{})}
	c := newConn(g, remotePlace, d.crowd)
	d.enter(c)
	d.t.Cleanup(func() {
		if !g.gone() {
			c.Close()
		}
	})
	return c, g
}

func (d *door) call(c *markedConn, role Role) (end func()) {
	d.t.Helper()
	end, err := c.begin(Caller{Name: "somebody", Role: role})
	if err != nil {
		d.t.Fatal(err)
	}
	return end
}

func (d *door) counted(r Reason, want uint64) {
	d.t.Helper()
	if n := d.g.Refused()[string(r)]; n != want {
		d.t.Errorf("%s was counted %d times, not %d", r, n, want)
	}
}

// TestWhoOnlyConnectsGoes: a connection without an admitted call ends after CallLimit; one with any stays, and one
// whose caller no longer counts is as new.
func TestWhoOnlyConnectsGoes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDoor(t)
		_, idle := d.come("10.0.0.1")
		refused, bold := d.come("10.0.0.1")
		known, friend := d.come("10.0.0.2")
		d.call(known, Viewer)()
		time.Sleep(CallLimit - time.Millisecond)
		refused.refused(refuse(NoCredentials, "", "no"))
		if idle.gone() || bold.gone() {
			t.Fatal("a connection ended before its time")
		}
		time.Sleep(2 * time.Millisecond)
		synctest.Wait()
		if !idle.gone() || !bold.gone() || friend.gone() {
			t.Errorf("after %v: idle gone %v, refused gone %v, admitted gone %v", CallLimit, idle.gone(), bold.gone(),
				friend.gone())
		}
		d.counted(NoCall, 2)
		time.Sleep(time.Hour)
		known.refused(refuse(MissingRole, "somebody", "no")) // who it is was clear
		end := d.call(known, Viewer)
		known.refused(refuse(TokenExpired, "somebody", "no")) // of another call beside this one
		time.Sleep(2 * CallLimit)
		end()
		known.refused(refuse(TokenExpired, "somebody", "no"))
		time.Sleep(CallLimit - time.Millisecond)
		synctest.Wait()
		if friend.gone() {
			t.Error("an admitted connection ended")
		}
		time.Sleep(2 * time.Millisecond)
		synctest.Wait()
		if !friend.gone() {
			t.Error("one whose token has expired stays")
		}
		d.counted(NoCall, 3)
	})
}

// TestTheNewestComesIn: as many new connections as anybody likes keep nobody out, those of one address cost others
// nothing, and one network of IPv6 is one address.
func TestTheNewestComesIn(t *testing.T) {
	d := newDoor(t)
	_, other := d.come("10.0.0.1")
	var crowd []*guest
	for i := range MaxNewPerAddress + 3 {
		_, g := d.come(fmt.Sprintf("2001:db8:0:1::%x", i+1))
		crowd = append(crowd, g)
	}
	for i, g := range crowd {
		if g.gone() != (i < 3) {
			t.Errorf("connection %d of one network: gone %v", i, g.gone())
		}
	}
	d.counted(Displaced, 3)
	// From everywhere: who has most of them loses first.
	for i := range MaxNew {
		d.come(fmt.Sprintf("10.1.%d.%d", i/200, i%200+1))
		if len(d.fresh) > MaxNew {
			t.Fatalf("%d new connections", len(d.fresh))
		}
	}
	if !crowd[MaxNewPerAddress].gone() || other.gone() && !crowd[len(crowd)-1].gone() {
		t.Error("an address with one connection made way for one with many")
	}
	// This machine has no limit of its own.
	d = newDoor(t)
	_, first := d.come("127.0.0.1")
	for range MaxNew - 1 {
		d.come("")
	}
	if first.gone() {
		t.Error("this machine has a limit of its own")
	}
	d.come("127.0.0.2")
	if !first.gone() {
		t.Errorf("%d new connections", len(d.fresh))
	}
}

// TestAnOperatorGetsIn: whatever viewers hold, there is a place for an operator, and connections that are idle make
// way.
func TestAnOperatorGetsIn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDoor(t)
		viewer := func(i int) (*markedConn, *guest) { return d.come(fmt.Sprintf("10.0.%d.1", i%4)) }
		for i := range MaxViewersPerAddress {
			c, _ := d.come("10.9.0.1")
			d.call(c, Viewer)
			if i == 0 { // as many calls as it likes
				d.call(c, Viewer)
			}
		}
		c, _ := d.come("10.9.0.1")
		_, err := c.begin(Caller{Role: Viewer})
		if err == nil || err.Reason != TooManyConnections {
			t.Errorf("a viewer more than one address may have: %v", err)
		}
		var idle *guest
		for i := range MaxViewers - MaxViewersPerAddress {
			c, g := viewer(i)
			if end := d.call(c, Viewer); i == 7 {
				end()
				idle = g
			}
			time.Sleep(time.Millisecond)
		}
		c, g := viewer(1)
		d.call(c, Viewer)
		if !idle.gone() || g.gone() {
			t.Errorf("an idle viewer is gone: %v", idle.gone())
		}
		if _, err := c.begin(Caller{Role: Viewer}); err != nil {
			t.Errorf("a further call on a connection that is in: %v", err)
		}
		c, _ = viewer(2)
		if _, err := c.begin(Caller{Role: Viewer}); err == nil || err.Reason != TooManyConnections {
			t.Errorf("a viewer too many: %v", err)
		}
		var oldest *guest
		for i := range MaxConnections - MaxViewers {
			c, g := d.come("10.9.0.1")
			d.call(c, Operator)()
			time.Sleep(time.Millisecond)
			if i == 0 {
				oldest = g
			}
		}
		if oldest.gone() {
			t.Error("an operator made way too soon")
		}
		c, g = d.come("10.9.0.1")
		d.call(c, Operator)
		if !oldest.gone() || g.gone() || len(d.known) != MaxConnections {
			t.Errorf("one more operator: the idle one is gone: %v; %d connections", oldest.gone(), len(d.known))
		}
		d.counted(Displaced, 2)
	})
}

// TestOfAStrangerLittleIsRead: what comes before an admitted call is read up to a limit, refused calls count for more
// than their bytes, and nothing is held back once a call is admitted.
func TestOfAStrangerLittleIsRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDoor(t)
		c, g := d.come("10.0.0.1")
		for range 3 {
			c.refused(refuse(TokenUnknown, "", "no"))
		}
		done := make(chan error, 1)
		read := func() {
			for buf := make([]byte, 10_000); ; {
				if _, err := c.Read(buf); err != nil || g.read > 10*MaxNewBytes {
					done <- err
					return
				}
			}
		}
		go read()
		synctest.Wait()
		if want := MaxNewBytes - 3*refusedBytes; g.read != want {
			t.Errorf("%d bytes were read, not %d", g.read, want)
		}
		d.counted(TooMuchUnadmitted, 1)
		end := d.call(c, Viewer)
		if err := <-done; err != nil {
			t.Errorf("after a call was admitted: %v", err)
		}
		end()
		c.refused(refuse(TokenUnknown, "", "no")) // its token was taken away
		g.read = 0
		go read()
		synctest.Wait()
		if g.read != MaxNewBytes {
			t.Errorf("%d bytes were read of somebody who no longer counts", g.read)
		}
		time.Sleep(CallLimit)
		if err := <-done; !errors.Is(err, net.ErrClosed) || !g.gone() {
			t.Errorf("in the end: %v, gone %v", err, g.gone())
		}
		d.counted(TooMuchUnadmitted, 2)
	})
}

// TestCrowdKeepsItsLimits: whatever comes, calls and goes, no limit is passed, what is counted as open is open, and a
// newcomer is always in.
func TestCrowdKeepsItsLimits(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	synctest.Test(t, func(t *testing.T) {
		d := newDoor(t)
		type guestIn struct {
			c    *markedConn
			g    *guest
			ends []func()
		}
		var all []*guestIn
		isNew, known := 0, 0
		for step := range 4_000 {
			switch n := rng.IntN(100); {
			case n < 45:
				from := ""
				if rng.IntN(5) > 0 {
					from = fmt.Sprintf("10.0.0.%d", 1+rng.IntN(1+rng.IntN(9)))
				}
				c, g := d.come(from)
				if g.gone() {
					t.Fatalf("step %d: a newcomer was turned away", step)
				}
				all = append(all, &guestIn{c: c, g: g})
			case n < 50:
				time.Sleep(time.Duration(rng.IntN(2000)) * time.Millisecond)
				synctest.Wait()
			case len(all) > 0:
				in := all[rng.IntN(len(all))]
				switch {
				case in.g.gone():
				case n < 85:
					end, err := in.c.begin(Caller{Role: Viewer + Role(rng.IntN(2))})
					if err == nil && rng.IntN(3) > 0 {
						end()
					} else if err == nil {
						in.ends = append(in.ends, end)
					}
				case n < 90 && len(in.ends) > 0:
					in.ends[0]()
					in.ends = in.ends[1:]
				case n < 95:
					in.c.refused(refuse(TokenUnknown, "", "no"))
				default:
					in.c.Close()
				}
			}
			open, viewers := 0, 0
			all = slices.DeleteFunc(all, func(in *guestIn) bool { return in.g.gone() })
			for _, in := range all {
				if !in.g.gone() {
					open++
				}
			}
			fresh := map[netip.Prefix]int{}
			d.mu.Lock()
			isNew, known = len(d.fresh), len(d.known)
			for _, c := range d.fresh {
				fresh[c.origin]++
			}
			for _, c := range d.known {
				if c.role < Operator {
					viewers++
				}
			}
			d.mu.Unlock()
			for origin, n := range fresh {
				if origin.IsValid() && n > MaxNewPerAddress {
					t.Fatalf("step %d: %d new connections of %v", step, n, origin)
				}
			}
			if isNew > MaxNew || known > MaxConnections || viewers > MaxViewers || open != isNew+known {
				t.Fatalf("step %d: %d new and %d known connections, %d of viewers; %d are open", step, isNew, known,
					viewers, open)
			}
		}
		if known < MaxConnections/2 {
			t.Errorf("only %d connections had calls", known)
		}
	})
}

// TestListenerLetsEverybodyIn uses real connections.
func TestListenerLetsEverybodyIn(t *testing.T) {
	g := newGate(t, DefaultSettings())
	raw, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l, err := g.Listener(raw)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	first := true
	for i := range MaxNew + 1 {
		c, err := net.Dial("tcp", raw.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		in, err := l.Accept()
		if err != nil {
			t.Fatal(err)
		}
		defer in.Close()
		if first {
			first = false
			defer func() {
				c.SetReadDeadline(time.Now().Add(2 * time.Minute))
				if _, err := c.Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
					t.Errorf("the oldest of %d connections: %v", i, err)
				}
			}()
		}
	}
}

// TestWhoSaidLeastGoesFirst: among those that have just come, one that has left makes way before one that is silent,
// and that one before one that speaks, although nobody has read what it said.
func TestWhoSaidLeastGoesFirst(t *testing.T) {
	raw, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer raw.Close()
	d := newDoor(t)
	come := func(say string, leave bool) (*markedConn, net.Conn) {
		c, err := net.Dial("tcp", raw.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		in, err := raw.Accept()
		if err != nil {
			t.Fatal(err)
		}
		m := newConn(in, checkedPlace, d.crowd)
		if m.said() != isSilent {
			t.Errorf("one that has said nothing: %d", m.said())
		}
		d.enter(m)
		t.Cleanup(func() { m.Close() })
		if _, err := io.WriteString(c, say); err != nil {
			t.Fatal(err)
		}
		if leave {
			c.Close()
		}
		for want := (map[bool]int{true: hasLeft, false: hasSpoken})[leave]; say+fmt.Sprint(leave) != "false" &&
			m.said() != want; {
			time.Sleep(time.Millisecond) // it comes through the system
		}
		return m, c
	}
	speaks, _ := come("hello", false)
	quiet, _ := come("", false)
	left, _ := come("", true)
	replies, c := come("hello", false)
	buf := make([]byte, 5)
	if _, err := io.ReadFull(replies, buf); err != nil || replies.said() != hasSpoken {
		t.Errorf("one that was read: %v, %d", err, replies.said())
	}
	if _, err := replies.Write(buf); err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(c, "again"); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadFull(replies, buf); err != nil || replies.said() != hasAnswered {
		t.Errorf("one that replied: %v, %d", err, replies.said())
	}
	for _, want := range []*markedConn{left, quiet, speaks, replies} {
		d.mu.Lock()
		for len(d.fresh) < MaxNew { // whoever fills the rest said as much as can be said
			other := newConn(&guest{from: &net.UnixAddr{}, closed: make(chan struct{})}, checkedPlace, d.crowd)
			other.answered.Store(true)
			other.clock, other.since = time.NewTimer(time.Hour), time.Now()
			d.fresh = append(d.fresh, other)
		}
		out := d.makeWay(netip.Prefix{})
		d.mu.Unlock()
		if out != want {
			t.Errorf("one that said %d made way before one that said %d", out.said(), want.said())
		}
	}
}
