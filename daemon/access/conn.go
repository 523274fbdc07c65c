package access

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"syscall"
	"time"
)

// place is where a connection came from.
type place int

const (
	unmarked  place = iota // not marked: treated as a stranger's
	freePlace              // asks nothing
	checkedPlace
	remotePlace // TLS
)

// markedConn knows where it came from, and reads no more of a stranger than it must.
type markedConn struct {
	net.Conn
	place  place
	origin netip.Prefix
	crowd  *crowd
	once   sync.Once
	ended  chan struct{} // closed by Close

	// Of the crowd, and under its lock.
	known bool      // a call was admitted
	role  Role      // the greatest whose call was admitted
	calls int       // that are under way
	since time.Time // it is new
	used  time.Time
	clock *time.Timer

	wrote, heard, answered atomic.Bool // answered: something came after something was sent

	mu    sync.Mutex
	left  int           // bytes that may be read, or unlimited
	more  chan struct{} // closed when that becomes more
	spent bool          // it was counted that there was more
}

const unlimited = math.MaxInt

// from is where a connection came from; one that nobody has marked is not free.
func (c *markedConn) from() place {
	if c == nil {
		return unmarked
	}
	return c.place
}

func newConn(c net.Conn, p place, k *crowd) *markedConn {
	return &markedConn{Conn: c, place: p, origin: origin(c), crowd: k, ended: make(chan struct{}),
		more: make(chan struct{})}
}

// Close gives the connection's place back.
func (c *markedConn) Close() error {
	c.once.Do(func() {
		close(c.ended)
		c.crowd.leave(c)
	})
	return c.Conn.Close()
}

// end closes a connection that did nothing wrong but to be there, and counts it.
func (c *markedConn) end(why *RefusedError, what string) {
	c.crowd.g.count(why, c.RemoteAddr().String(), what)
	_ = c.Close() // nobody is left who would care
}

// allow lets so many bytes be read from now on.
func (c *markedConn) allow(n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.left = n
	c.spent = false
	close(c.more)
	c.more = make(chan struct{})
}

// spend takes so many of the bytes that may be read.
func (c *markedConn) spend(n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.left != unlimited {
		c.left = max(c.left-n, 0)
	}
}

// Read reads what it may. What a stranger sends beyond that stays where it is, in the stranger's own machine for the
// greater part, until somebody is admitted or the connection ends: closing it at once would only have the stranger come
// back, with a handshake that costs us more than it costs him.
func (c *markedConn) Read(p []byte) (int, error) {
	for {
		c.mu.Lock()
		left, more := c.left, c.more
		tell := left == 0 && !c.spent
		c.spent = c.spent || left == 0
		c.mu.Unlock()
		if left > 0 {
			wrote := c.wrote.Load()
			n, err := c.Conn.Read(p[:min(len(p), left)])
			if n > 0 && !c.answered.Load() {
				c.heard.Store(true)
				c.answered.Store(wrote)
			}
			c.spend(n)
			return n, err
		}
		if tell {
			c.crowd.g.count(refuse(TooMuchUnadmitted, "", "more than %d bytes came without an admitted call",
				MaxNewBytes),
				c.RemoteAddr().String(), "connection")
		}
		select {
		case <-more:
		case <-c.ended:
			return 0, net.ErrClosed
		}
	}
}

// Write notes that there was something to answer.
func (c *markedConn) Write(p []byte) (int, error) {
	if !c.wrote.Load() {
		c.wrote.Store(true)
	}
	return c.Conn.Write(p)
}

// How much came on a connection.
const (
	hasLeft     = iota // nothing, and the other end has left
	isSilent           // nothing
	hasSpoken          // something
	hasAnswered        // something after something was sent, as in a handshake
)

// said is how much came on the connection, read or not: on a machine that is busy much waits.
func (c *markedConn) said() int {
	switch {
	case c.answered.Load():
		return hasAnswered
	case c.heard.Load():
		return hasSpoken
	}
	s, is := c.Conn.(syscall.Conn)
	if !is {
		return isSilent
	}
	raw, err := s.SyscallConn()
	if err != nil {
		return hasLeft
	}
	n, peekErr := 0, error(nil)
	err = raw.Control(func(fd uintptr) {
		n, _, peekErr = syscall.Recvfrom(int(fd), make([]byte, 1), syscall.MSG_PEEK|syscall.MSG_DONTWAIT)
	})
	switch {
	case err == nil && n > 0:
		return hasSpoken
	case err == nil && peekErr != nil && errors.Is(peekErr, syscall.EAGAIN):
		return isSilent
	}
	return hasLeft
}

// begin notes that a caller's call was admitted on the connection, until the function that it returns is called; nil is
// a connection within the program. The error has not been counted.
func (c *markedConn) begin(caller Caller) (end func(), err *RefusedError) {
	if c == nil {
		return func() {}, nil
	}
	if err := c.crowd.begin(c, caller); err != nil {
		return nil, err
	}
	return func() { c.crowd.finish(c) }, nil
}

// refused notes that somebody was refused on the connection.
func (c *markedConn) refused(e *RefusedError) {
	if c != nil {
		c.crowd.refused(c, e)
	}
}

// listener marks connections, and puts each into its crowd.
type listener struct {
	net.Listener
	place place
	crowd *crowd
}

// Listener returns l with every connection marked by where it came from: a Unix socket or one
// within the program is free, a loopback address is as the settings say, and any other must speak
// TLS, whose handshake Credentials and HTTPConfig do. Its connections are limited: see CallLimit and what follows it.
func (g *Gate) Listener(l net.Listener) (net.Listener, error) {
	p := freePlace
	if at, is := l.Addr().(*net.TCPAddr); is {
		switch {
		case !at.IP.IsLoopback() && !g.settings.Remote():
			return nil, fmt.Errorf("%s could be reached from other machines, which requires access control: %s",
				l.Addr(), RemoteHint)
		case !at.IP.IsLoopback():
			p = remotePlace
		case g.settings.Loopback == Checked:
			p = checkedPlace
		}
	}
	return &listener{Listener: l, place: p, crowd: &crowd{g: g, at: l.Addr().String()}}, nil
}

// SpeaksTLS reports whether connections of a listener that Listener returned speak TLS.
func SpeaksTLS(l net.Listener) bool {
	mine, is := l.(*listener)
	return is && mine.place == remotePlace
}

// Accept waits for a connection.
func (l *listener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	marked := newConn(c, l.place, l.crowd)
	l.crowd.enter(marked)
	return marked, nil
}

type connKey struct{}

// ConnContext keeps which connection an HTTP request came over; it is http.Server.ConnContext.
func ConnContext(ctx context.Context, c net.Conn) context.Context {
	if wrapped, is := c.(interface{ NetConn() net.Conn }); is { // TLS
		c = wrapped.NetConn()
	}
	m, _ := c.(*markedConn)
	return context.WithValue(ctx, connKey{}, m)
}

// connOf is the connection of an HTTP request, nil where ConnContext kept none.
func connOf(ctx context.Context) *markedConn {
	m, _ := ctx.Value(connKey{}).(*markedConn)
	return m
}
