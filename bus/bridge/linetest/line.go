// Package linetest has a link to a device that is run step by step, with faults and with the rate of a serial line.
package linetest

import (
	"cmp"
	"context"
	"math/rand/v2"
	"net"
	"os"
	"slices"
	"sync"
	"time"

	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/link"
	"facetd.example/bus/bustest"
)

const (
	// stepEvery is how often a device on a line runs where nothing comes.
	stepEvery = 250 * time.Microsecond
	// hostQueue is below how many bytes on their way a line with a rate is drained, as one of package link is, and
	// deviceBuffer how many the device's end has room for.
	hostQueue, deviceBuffer = 64, 2048
)

// Config is what a line is made of.
type Config struct {
	Device *bridgetest.Steps
	// Latency is how long a packet is on its way, beside what the line takes for its bytes.
	Latency time.Duration
	// Baud is the rate of the line, of ten bits a byte; 0 takes no time.
	Baud int
	// Every is how often the device runs where nothing comes; 0 is 250 us.
	Every time.Duration
	// Faults strike packets, both ways, since the line was made.
	Faults []bustest.LinkFault
	Seed   uint64
}

// Line is a link to a device that is run step by step: in the time of the bubble in which it is made, or of this
// machine. It loses, doubles and reorders packets as it is told.
type Line struct {
	cfg   Config
	epoch time.Time
	end   chan struct{}
	after sync.WaitGroup

	mu      sync.Mutex
	rng     *rand.Rand
	free    [2]time.Duration // when the line has sent what it was given, to the device and to the host
	conn    *lineConn        // of the host, the last
	stopped bool
}

// New makes a line. Close it.
func New(cfg Config) *Line {
	l := &Line{cfg: cfg, epoch: time.Now(), end: make(chan struct{}), rng: rand.New(rand.NewPCG(cfg.Seed, 1))}
	l.after.Go(func() {
		t := time.NewTicker(cmp.Or(cfg.Every, stepEvery))
		defer t.Stop()
		for {
			select {
			case <-t.C:
				l.step(nil)
			case <-l.end:
				return
			}
		}
	})
	return l
}

// Close ends it.
func (l *Line) Close() {
	l.mu.Lock()
	l.stopped = true
	l.mu.Unlock()
	close(l.end)
	l.after.Wait()
}

// Reboot has the device begin anew now.
func (l *Line) Reboot() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.stopped {
		l.cfg.Device.Reboot()
	}
	l.stepLocked(nil)
}

// Dial makes the host's end, in the place of the one before.
func (l *Line) Dial(context.Context, string, time.Duration) (link.Conn, error) {
	c := &lineConn{line: l, changed: make(chan struct{})}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.conn = c
	return link.NewDatagrams(c), nil
}

// step lets the device go on, with a packet that has come.
func (l *Line) step(packet []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.stepLocked(packet)
}

func (l *Line) stepLocked(packet []byte) {
	if l.stopped {
		return
	}
	room := 1 << 20
	if l.cfg.Baud > 0 {
		room = max(deviceBuffer-l.backlog(1), 0)
	}
	for _, p := range l.cfg.Device.Step(time.Since(l.epoch), room, packet) {
		l.carry(1, p, func() {
			l.mu.Lock()
			c := l.conn
			l.mu.Unlock()
			if c != nil {
				c.arrived(p)
			}
		})
	}
}

// backlog is how many bytes wait in one direction.
func (l *Line) backlog(way int) int {
	if l.cfg.Baud == 0 {
		return 0
	}
	return int(max(l.free[way]-time.Since(l.epoch), 0) * time.Duration(l.cfg.Baud) / 10 / time.Second)
}

// carry lets a packet go in one direction, once, twice or never. The caller holds mu.
func (l *Line) carry(way int, packet []byte, deliver func()) {
	now := time.Since(l.epoch)
	at, copies := max(now, l.free[way]), 1
	if l.cfg.Baud > 0 {
		at += time.Duration(len(packet)+2) * 10 * time.Second / time.Duration(l.cfg.Baud)
		l.free[way] = at
	}
	at += l.cfg.Latency
	if i := slices.IndexFunc(l.cfg.Faults, func(f bustest.LinkFault) bool {
		return f.From <= now && now < f.Until
	}); i >= 0 {
		f := &l.cfg.Faults[i]
		extra := time.Duration(0)
		switch chance := l.rng.Float64(); {
		case chance < f.Lose:
			copies = 0
		case chance < f.Lose+f.Double:
			copies = 2
		}
		if f.Delay > 0 {
			extra = time.Duration(l.rng.Int64N(int64(f.Delay)))
		}
		if at += extra; f.Struck != nil && (copies != 1 || extra > 0) {
			f.Struck()
		}
	}
	for range copies {
		time.AfterFunc(at-now, deliver)
		at += l.cfg.Latency
	}
}

// lineConn is the host's end of a line, which keeps packets apart.
type lineConn struct {
	net.Conn // what is not here is not asked for
	line     *Line

	mu       sync.Mutex
	in       [][]byte
	deadline time.Time
	closed   bool
	changed  chan struct{} // is closed when something of these has
}

// change changes it, and has who reads look again.
func (c *lineConn) change(how func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	how()
	close(c.changed)
	c.changed = make(chan struct{})
}

func (c *lineConn) arrived(packet []byte) { c.change(func() { c.in = append(c.in, packet) }) }

func (c *lineConn) SetReadDeadline(at time.Time) error {
	c.change(func() { c.deadline = at })
	return nil
}

func (c *lineConn) Close() error {
	c.change(func() { c.closed = true })
	return nil
}

// Read reads one packet.
func (c *lineConn) Read(b []byte) (int, error) {
	for {
		c.mu.Lock()
		closed, left, limited, changed := c.closed, time.Until(c.deadline), !c.deadline.IsZero(), c.changed
		if len(c.in) > 0 && !closed {
			n := copy(b, c.in[0])
			c.in = c.in[1:]
			c.mu.Unlock()
			return n, nil
		}
		c.mu.Unlock()
		switch {
		case closed:
			return 0, net.ErrClosed
		case limited && left <= 0:
			return 0, os.ErrDeadlineExceeded
		case !limited:
			left = time.Hour
		}
		t := time.NewTimer(left)
		select {
		case <-changed:
		case <-t.C:
		}
		t.Stop()
	}
}

// Drain waits until the line has room for the next packet, in the time of the bubble.
func (c *lineConn) Drain() {
	for l := c.line; ; {
		l.mu.Lock()
		over := l.backlog(0) - hostQueue
		l.mu.Unlock()
		c.mu.Lock()
		closed := c.closed
		c.mu.Unlock()
		if closed || over <= 0 {
			return
		}
		time.Sleep(time.Duration(over+1) * 10 * time.Second / time.Duration(l.cfg.Baud))
	}
}

// Write sends one packet.
func (c *lineConn) Write(b []byte) (int, error) {
	packet := slices.Clone(b)
	c.mu.Lock()
	closed := c.closed
	c.mu.Unlock()
	if closed {
		return 0, net.ErrClosed
	}
	l := c.line
	l.mu.Lock()
	defer l.mu.Unlock()
	l.carry(0, packet, func() { l.step(packet) })
	return len(b), nil
}
