package access

import (
	"net"
	"net/netip"
	"slices"
	"sync"
	"time"

	"facetd.example/daemon/failure"
)

// Limits of the connections at one address. A connection is new until a call on it is admitted: at an address that asks
// nothing that is its first call.
const (
	// CallLimit is how long a connection may last without an admitted call.
	CallLimit = 10 * time.Second
	// MaxNew is how many new connections there are at most. One more takes the place of another of the address that has
	// most of them: of the oldest that has been there for graceToCall, else of the oldest of those that said least.
	MaxNew      = 128
	graceToCall = time.Second
	// MaxNewPerAddress is how many of them one address from elsewhere has (an IPv6 network of 64 bits counts as one):
	// one more takes the place of its own.
	MaxNewPerAddress = 64
	// MaxNewBytes is how much is read of a connection while it is new; the rest waits for its end. A call that was
	// refused counts for refusedBytes.
	MaxNewBytes  = 128 << 10
	refusedBytes = 1 << 10

	// MaxConnections is how many connections may have an admitted call at once. The one that has been idle longest
	// makes way for another.
	MaxConnections = 256
	// MaxViewers is how many of them viewers may have, so that there is always a place for an operator.
	MaxViewers = 192
	// MaxViewersPerAddress is how many of those one address from elsewhere may have.
	MaxViewersPerAddress = 64
)

// crowd is all connections of a listener. Whoever comes is let in, and whoever did least makes way: so there is no
// number of connections with which others could be kept out.
type crowd struct {
	g  *Gate
	at string // the address, for messages

	mu    sync.Mutex
	fresh []*markedConn // new connections, the oldest first
	known []*markedConn // those with an admitted call, in no order
}

// origin is what the limits for one address count by; the zero value is this machine and has none.
func origin(c net.Conn) netip.Prefix {
	tcp, is := c.RemoteAddr().(*net.TCPAddr)
	if !is {
		return netip.Prefix{}
	}
	a := tcp.AddrPort().Addr().Unmap()
	if a.IsLoopback() {
		return netip.Prefix{}
	}
	bits := a.BitLen()
	if a.Is6() {
		bits = 64
	}
	p, err := a.WithZone("").Prefix(bits)
	if err != nil {
		return netip.Prefix{}
	}
	return p
}

// enter takes a new connection in, and ends another where there are too many.
func (k *crowd) enter(c *markedConn) {
	k.mu.Lock()
	gone := k.wait(c)
	k.mu.Unlock()
	k.displace(gone)
}

// displace ends a connection that had to go, if any.
func (k *crowd) displace(c *markedConn) {
	if c != nil {
		c.end(refuse(Displaced, "", "another connection took the place of one that had no call under way at %s", k.at),
			"connection")
	}
}

// wait makes a connection a new one, from now on, and returns which one has to go for it, if any.
func (k *crowd) wait(c *markedConn) (gone *markedConn) {
	gone = k.makeWay(c.origin)
	c.known = false
	c.since = time.Now()
	c.allow(MaxNewBytes)
	c.clock = time.AfterFunc(CallLimit, func() {
		if k.leave(c) {
			c.end(refuse(NoCall, "", "no call was admitted within %v", CallLimit), "connection")
		}
	})
	k.fresh = append(k.fresh, c)
	return gone
}

// makeWay takes the connection out that has to go before another of an address comes in, if any.
func (k *crowd) makeWay(from netip.Prefix) (gone *markedConn) {
	count := map[netip.Prefix]int{}
	most := from
	for _, c := range k.fresh {
		count[c.origin]++
		if count[c.origin] > count[most] {
			most = c.origin
		}
	}
	switch {
	case from.IsValid() && count[from] >= MaxNewPerAddress:
		most = from
	case len(k.fresh) < MaxNew:
		return nil
	}
	least := hasAnswered + 1
	for _, c := range k.fresh {
		if c.origin != most {
			continue
		}
		if gone == nil && time.Since(c.since) > graceToCall {
			gone = c
			break
		}
		if said := c.said(); said < least {
			gone, least = c, said
		}
	}
	k.remove(gone)
	return gone
}

// remove takes a connection out of whichever list it is in.
func (k *crowd) remove(c *markedConn) bool {
	c.clock.Stop()
	for _, list := range []*[]*markedConn{&k.fresh, &k.known} {
		if i := slices.Index(*list, c); i >= 0 {
			*list = slices.Delete(*list, i, i+1)
			return true
		}
	}
	return false
}

// leave takes a connection out, and reports whether it was there.
func (k *crowd) leave(c *markedConn) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.remove(c)
}

// begin notes that a call of a caller was admitted on a connection, until end is called.
func (k *crowd) begin(c *markedConn, caller Caller) *RefusedError {
	k.mu.Lock()
	var gone *markedConn
	if !c.known {
		var err *RefusedError
		if gone, err = k.place(c, caller); err != nil {
			k.mu.Unlock()
			return err
		}
		if k.remove(c) { // else it has ended just now, and its call ends with it
			k.known = append(k.known, c)
		}
		c.known = true
		c.allow(unlimited)
	}
	c.role = max(c.role, caller.Role)
	c.calls++
	k.mu.Unlock()
	k.displace(gone)
	return nil
}

// place finds a place for one more connection with an admitted call: gone is who has to go for it.
func (k *crowd) place(c *markedConn, caller Caller) (gone *markedConn, err *RefusedError) {
	viewers, here := 0, 0
	for _, other := range k.known {
		if other.role < Operator {
			viewers++
			if other.origin == c.origin {
				here++
			}
		}
	}
	isViewer := caller.Role < Operator
	mayGo := func(*markedConn) bool { return true }
	switch {
	case isViewer && c.origin.IsValid() && here >= MaxViewersPerAddress:
		mayGo = func(o *markedConn) bool { return o.role < Operator && o.origin == c.origin }
	case isViewer && viewers >= MaxViewers:
		mayGo = func(o *markedConn) bool { return o.role < Operator }
	case len(k.known) < MaxConnections:
		return nil, nil
	}
	for _, other := range k.known {
		if other.calls == 0 && mayGo(other) && (gone == nil || other.used.Before(gone.used)) {
			gone = other
		}
	}
	if gone == nil {
		return nil, refuse(TooManyConnections, caller.Name, "as many connections with calls are open at %s as may be; "+
			"try again when one has ended", k.at)
	}
	k.remove(gone)
	return gone, nil
}

// finish notes that a call has ended.
func (k *crowd) finish(c *markedConn) {
	k.mu.Lock()
	defer k.mu.Unlock()
	c.calls--
	c.used = time.Now()
}

// refused notes that somebody was refused on a connection. Where there is no other call, the connection is a new one
// again if it was admitted once: what it showed then no longer counts.
func (k *crowd) refused(c *markedConn, e *RefusedError) {
	k.mu.Lock()
	var gone *markedConn
	switch {
	case !c.known:
		c.spend(refusedBytes)
	case c.calls == 0 && !e.Known() && e.Reason != TooManyConnections && k.remove(c):
		c.role = Nothing
		gone = k.wait(c)
	}
	k.mu.Unlock()
	k.displace(gone)
}

// Unwrap lets a caller that came at a bad time see that it may try again.
func (e *RefusedError) Unwrap() error {
	if e.Reason == TooManyConnections || e.Reason == TooManyRequests {
		return &failure.Exhausted{Message: e.Message}
	}
	return nil
}
